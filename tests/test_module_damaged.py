"""Damaged module descriptions: always a PrewarpError or a valid module, never another exception."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prewarp.errors import PrewarpError
from prewarp.module import DisplayModule, read_module
from prewarp.records import problems_of
from tests.test_module import GOOD

LINES = GOOD.strip().splitlines()
QUICK = settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
VALUES = st.sampled_from(
    [
        "0",
        "-1",
        "1e308",
        "inf",
        "nan",
        "true",
        '""',
        '"x"',
        "[]",
        "[1]",
        "[[1]]",
        "{}",
        "{a=1}",
        "1979-05-27",
        "0x" + "f" * 400,
    ]
    + ["[0.0, 1.0]", "'''a\nb'''", '"\\u0000"', "[1, 'a']", "07:32:00", "1" * 30]
)


def read_or_refuse(folder: Path, data: bytes) -> None:
    path = folder / "damaged.toml"
    path.write_bytes(data)
    try:
        module = read_module(path)
    except PrewarpError as error:
        assert str(error).startswith(str(path))
    else:
        assert isinstance(module, DisplayModule)
        tomllib.loads(data.decode("utf-8"))


@QUICK
@given(st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)), min_size=1, max_size=4))
def test_bytes_flipped(tmp_path, flips):
    data = bytearray(GOOD.encode())
    for place, value in flips:
        data[place] = value
    read_or_refuse(tmp_path, bytes(data))


@QUICK
@given(st.integers(0, len(LINES) - 1), VALUES)
def test_values_replaced(tmp_path, row, value):
    lines = list(LINES)
    key, equals, _ = lines[row].partition("=")
    lines[row] = f"{key}= {value}" if equals else f"replaced = {value}"
    read_or_refuse(tmp_path, "\n".join(lines).encode())


@QUICK
@given(st.sets(st.integers(0, len(LINES) - 1), min_size=1, max_size=5), st.integers(0, len(GOOD)))
def test_lines_dropped_and_file_cut(tmp_path, rows, length):
    text = "\n".join(line for row, line in enumerate(LINES) if row not in rows)
    read_or_refuse(tmp_path, text.encode())
    read_or_refuse(tmp_path, GOOD[:length].encode())


@QUICK
@given(st.binary(min_size=1, max_size=200))
def test_any_bytes(tmp_path, data):
    read_or_refuse(tmp_path, data)


def test_the_undamaged_file_is_valid(tmp_path):
    path = tmp_path / "good.toml"
    path.write_text(GOOD, encoding="utf-8")
    assert read_module(path).name


@pytest.mark.parametrize("text", ["a" * 5000 + " = 1", "'" + "\\n" * 900 + "' = 1", "[[channel]]\n" * 4000])
def test_messages_stay_short(tmp_path, text):
    path = tmp_path / "long.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PrewarpError) as raised:
        read_module(path)
    problems = problems_of(raised.value)
    assert len(problems) <= 6
    assert all(len(str(problem)) < 400 + len(str(path)) for problem in problems)
