"""Measured chromaticities in a module description: what is read, each kind of mistake, damaged files."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prewarp.errors import ModuleError
from prewarp.module import Chromaticity, read_module
from tests.test_module import GOOD, write
from tests.test_module_damaged import QUICK, VALUES, read_or_refuse

BLOCK = """
[color.B]
wavelength_nm = 460.0
[channel.inner.chromaticity]
R = [0.64, 0.33]
G = [0.30, 0.60]
B = [0.15, 0.06]
white = [0.3127, 0.3290]
"""
MEASURED = GOOD + BLOCK
FIRST = len(GOOD.splitlines())


def test_it_is_read_where_it_stands(tmp_path):
    module = read_module(write(tmp_path, MEASURED))
    assert module.channel("outer").chromaticity is None
    found = module.channel("inner").chromaticity
    assert found.primaries == {"R": (0.64, 0.33), "G": (0.30, 0.60), "B": (0.15, 0.06)}
    assert found.white == (0.3127, 0.3290)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("R = [0.64, 0.33]", "R = [0.64]", r"channel\.inner\.chromaticity\.R is .*\(1 entries\)"),
        (
            "R = [0.64, 0.33]",
            "R = [0.74, 0.33]",
            r"chromaticity R is .*x \+ y is 1\.07\); expected CIE 1931 x, y",
        ),
        ("R = [0.64, 0.33]", "R = [0.64, 0.0]", r"chromaticity\.R is .*entry 2, 0\.0 \(out of range\)"),
        ("R = [0.64, 0.33]", "R = [nan, 0.33]", r"chromaticity\.R is .*entry 1, nan"),
        ("R = [0.64, 0.33]", "R = [0.2251, 0.3301]", "R, G, B lie on one line, or nearly"),
        ("R = [0.64, 0.33]\n", "", r"chromaticity holds 2 colours; expected 3 beside 'white'"),
        (
            "R = [0.64, 0.33]",
            "X = [0.64, 0.33]",
            r"channel\.inner\.chromaticity holds X, G, B and white; expected the module's colours R, G, B",
        ),
        ("white = [0.3127, 0.3290]", "", r"chromaticity\.white is missing"),
        ("white = [0.3127, 0.3290]", "white = [0.6, 0.39]", r"white is .*outside the triangle of R, G, B"),
        ("[channel.inner.chromaticity]", "[channel.inner.chromatisity]", r"chromatisity is not a known key"),
    ],
)
def test_each_mistake_is_named(tmp_path, old, new, message):
    assert old in MEASURED
    path = write(tmp_path, MEASURED.replace(old, new, 1))
    with pytest.raises(ModuleError, match=message) as raised:
        read_module(path)
    assert str(raised.value).startswith(f"{path}: ")


def test_objects_made_in_python_are_checked_too():
    with pytest.raises(ModuleError, match="G is 'x'"):
        Chromaticity({"R": (0.64, 0.33), "G": "x", "B": (0.15, 0.06)}, (0.3, 0.3))


@QUICK
@given(st.integers(FIRST, FIRST + len(BLOCK.splitlines()) - 1), VALUES)
def test_values_replaced(tmp_path, row, value):
    lines = MEASURED.splitlines()
    key, equals, _ = lines[row].partition("=")
    lines[row] = f"{key}= {value}" if equals else f"replaced = {value}"
    read_or_refuse(tmp_path, "\n".join(lines).encode())


@QUICK
@given(
    st.lists(
        st.tuples(st.integers(len(GOOD), len(MEASURED) - 1), st.integers(0, 255)), min_size=1, max_size=4
    )
)
def test_bytes_flipped(tmp_path, flips):
    data = bytearray(MEASURED.encode())
    for place, value in flips:
        data[place] = value
    read_or_refuse(tmp_path, bytes(data))
