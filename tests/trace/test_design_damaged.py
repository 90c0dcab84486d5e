"""Damaged design files: always a PrewarpError or a valid design, never another exception."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prewarp.errors import PrewarpError
from prewarp.trace import Design, read_design
from tests.trace.test_design import GOOD


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)), max_size=3),
    st.sets(st.integers(0, GOOD.count("\n")), max_size=3),
)
def test_bytes_flipped_and_lines_dropped(tmp_path, flips, rows):
    data = bytearray(GOOD.encode())
    for place, value in flips:
        data[place] = value
    lines = bytes(data).split(b"\n")
    path = tmp_path / "damaged.toml"
    path.write_bytes(b"\n".join(line for row, line in enumerate(lines) if row not in rows) + b"\n")
    try:
        design = read_design(path)
    except PrewarpError as error:
        assert str(error).startswith(str(path))
    else:
        assert isinstance(design, Design)
        assert all(len(channel.places()) == len(channel.surfaces) + 1 for channel in design.channels)
