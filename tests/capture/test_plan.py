"""Plan and marks in files: both ways, and every foreseeable fault with its row."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prewarp.capture.codes import all_words, text_of_word
from prewarp.capture.marks import Marks, read_marks, write_marks
from prewarp.capture.paths import RelativePath, path_inside
from prewarp.capture.plan import COLUMNS, Photograph, Plan, read_plan, write_plan
from prewarp.errors import CaptureError, InputFileError, PrewarpError

WHOLE = Photograph(
    order=0,
    pose="p00",
    camera="bench",
    channel="inner",
    colour="G",
    kind="whole",
    step=0,
    picture="pictures/inner/G_whole00.png",
    eye_x_mm=-4.0,
    eye_y_mm=1.0 / 3.0,
    eye_z_mm=2.0,
    yaw_deg=0.0,
    pitch_deg=-10.0,
    roll_deg=0.0,
    panel_frames=4.0,
    exposure_ms=44.444444,
    file="p00/000000.png",
)
DARK = dataclasses.replace(
    WHOLE, order=1, kind="dark", channel="", colour="", picture="", file="p00/000001.png"
)
PLAN = Plan((WHOLE, DARK))


def test_the_columns_are_those_that_are_written_out():
    assert ",".join(COLUMNS) == (
        "order,pose,camera,channel,color,kind,step,picture,eye_x_mm,eye_y_mm,eye_z_mm,yaw_deg,pitch_deg,"
        "roll_deg,panel_frames,exposure_ms,file"
    )


def test_a_plan_reads_as_it_was_written(tmp_path):
    write_plan(PLAN, tmp_path / "plan.csv")
    read = read_plan(tmp_path / "plan.csv")
    assert read.photographs == PLAN.photographs and read.row == (2, 3)
    assert list(read.poses) == ["p00"] and read.channels == ("inner",)
    assert read.select(kind="dark") == (DARK,)
    first = (tmp_path / "plan.csv").read_bytes()
    write_plan(read, tmp_path / "plan.csv")
    assert (tmp_path / "plan.csv").read_bytes() == first


def test_a_spreadsheet_may_change_separators_and_order_of_columns(tmp_path):
    write_plan(PLAN, tmp_path / "plan.csv")
    rows = [line.split(",") for line in (tmp_path / "plan.csv").read_text().splitlines()]
    text = "\r\n".join(
        ";".join(cell.replace(".", ",") if i not in (7, 16) else cell for i, cell in enumerate(row))
        + (";note" if number == 0 else ";")
        for number, row in enumerate(rows)
    )
    reversed_text = "\r\n".join(";".join(reversed(line.split(";"))) for line in text.split("\r\n"))
    (tmp_path / "plan.csv").write_bytes(b"\xef\xbb\xbf" + reversed_text.encode())
    assert read_plan(tmp_path / "plan.csv").photographs == PLAN.photographs


def edited(tmp_path, row, column, cell):
    """Return the path of the plan with one cell changed."""
    path = tmp_path / "plan.csv"
    write_plan(PLAN, path)
    rows = [line.split(",") for line in path.read_text().splitlines()]
    rows[row - 1][COLUMNS.index(column)] = cell
    path.write_text("\n".join(map(",".join, rows)) + "\n")
    return path


@pytest.mark.parametrize(
    ("column", "cell", "part"),
    [
        ("kind", "hole", "kind is 'hole' (not known); expected one of 'whole', 'code'"),
        ("order", "1.5", "order is '1.5'"),
        ("step", "", "step is ''"),
        ("eye_x_mm", "4 mm", "eye_x_mm is '4 mm' (text); expected a number from -100 to 100 mm"),
        ("eye_z_mm", "nan", "eye_z_mm is 'nan' (out of range)"),
        ("yaw_deg", "1e9", "yaw_deg is '1e9' (out of range)"),
        ("panel_frames", "10.5", "panel_frames is 10.5; expected a whole number below 50"),
        ("panel_frames", "0", "panel_frames is '0' (out of range)"),
        ("exposure_ms", "inf", "exposure_ms is 'inf' (out of range)"),
        ("file", "../../etc/passwd", "file is '../../etc/passwd' (not such a path)"),
        ("picture", "/etc/passwd", "picture is '/etc/passwd'"),
        ("picture", "", "picture is ''; expected one in a frame of kind 'whole'"),
        ("channel", "", "channel is ''; expected one in a frame of kind 'whole'"),
        ("pose", "p 0", "pose is 'p 0' (not a name)"),
        ("order", "9" * 400, "order is"),
    ],
)
def test_a_wrong_cell_is_told_with_its_row(tmp_path, column, cell, part):
    path = edited(tmp_path, 2, column, cell)
    with pytest.raises(CaptureError) as raised:
        read_plan(path)
    assert f"{path}, row 2: {part}" in str(raised.value)
    assert raised.value.row == 2


def test_parts_of_frames_are_allowed_in_long_exposures(tmp_path):
    path = edited(tmp_path, 2, "panel_frames", "50.5")
    assert read_plan(path).photographs[0].panel_frames == 50.5


@pytest.mark.parametrize(
    ("column", "cell", "part"),
    [
        ("order", "0", "row 3: order is 0 after 0; expected rows in rising order. Sort"),
        ("file", "P00/000000.png", "row 3: file P00/000000.png stands in row 2 too"),
        ("eye_y_mm", "0.25", "row 3: pose p00 is at another place or turn than in row 2"),
        ("roll_deg", "1", "row 3: pose p00 is at another place or turn than in row 2"),
        ("channel", "inner", "row 3: channel is 'inner'; expected nothing in a dark frame"),
    ],
)
def test_rows_that_contradict_each_other_are_told(tmp_path, column, cell, part):
    with pytest.raises(CaptureError, match=part):
        read_plan(edited(tmp_path, 3, column, cell))


def test_missing_columns_and_cells_are_told(tmp_path):
    path = tmp_path / "plan.csv"
    write_plan(PLAN, path)
    text = path.read_text()
    path.write_text(text.replace("exposure_ms", "exposure"))
    with pytest.raises(CaptureError, match="exposure_ms. The file has 'exposure': rename it"):
        read_plan(path)
    path.write_text(text.replace(",44.444444,", ",", 1))
    with pytest.raises(CaptureError, match="row 2: 16 cells; the header has 17"):
        read_plan(path)
    path.write_text(text.replace("p00/000001.png", '"p00/000001.png'))
    with pytest.raises(CaptureError, match="row 3: not readable as CSV"):
        read_plan(path)
    path.write_bytes(text.encode().replace(b"bench", b"b\xe9nch", 1))
    with pytest.raises(CaptureError, match="row 2: not UTF-8 text"):
        read_plan(path)
    with pytest.raises(InputFileError, match="not found; expected a capture plan"):
        read_plan(tmp_path / "none.csv")


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_damaged_files_end_in_one_kind_of_error(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("damaged") / "plan.csv"
    write_plan(PLAN, path)
    whole = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(whole[: data.draw(st.integers(1, len(whole)))]))
    try:
        plan = read_plan(path)
    except PrewarpError as error:
        assert str(path) in str(error)
    else:
        assert 1 <= len(plan) <= 2


@pytest.mark.parametrize(
    "path",
    [
        "..",
        "a/../b",
        "/a",
        "a//b",
        "a/",
        "",
        "a\\b",
        "C:x",
        ".hidden",
        "a/.b",
        "a\0b",
        "a\nb",
        "a.",
        "ä",
        "x" * 201,
    ],
)
def test_paths_that_leave_the_folder_or_cannot_be_everywhere_are_refused(tmp_path, path):
    assert RelativePath().accept(path)[1]
    with pytest.raises(CaptureError):
        path_inside(tmp_path, path)


def test_links_out_of_the_folder_are_refused(tmp_path):
    inside = tmp_path / "capture"
    inside.mkdir()
    (tmp_path / "secret.png").write_bytes(b"x")
    (inside / "link.png").symlink_to(tmp_path / "secret.png")
    (inside / "real.png").write_bytes(b"x")
    assert path_inside(inside, "real.png") == inside / "real.png"
    with pytest.raises(CaptureError, match="leads outside"):
        path_inside(inside, "link.png")


def marks():
    words = [text_of_word(word) for word in all_words()[[0, 1, 0]]]
    return Marks(
        np.array(["inner", "inner", "outer"]),
        np.array([0, 1, 0]),
        np.array([[7.0, 7.5], [86.5, 7.5], [7.123456, 9.0]]),
        np.array([6.0, 6.0, 2.5]),
        tuple(words),
    )


def test_marks_read_as_they_were_written(tmp_path):
    """Codes begin with zeros, which must stay."""
    write_marks(marks(), tmp_path / "marks.csv")
    assert (tmp_path / "marks.csv").read_text().splitlines()[:2] == [
        "channel,mark,panel_u_px,panel_v_px,radius_px,code",
        "inner,0,7,7.5,6,0000000111111",
    ]
    read = read_marks(tmp_path / "marks.csv")
    assert read.code == marks().code and read.channels == ("inner", "outer")
    assert np.array_equal(read.panel_px, marks().panel_px)
    assert read.of("outer").mark.tolist() == [0] and read.of("outer").row == (4,)
    assert read.lit.sum(axis=1).tolist() == [6, 6, 6]
    with pytest.raises(CaptureError, match="no marks of channel 'middle'"):
        read.of("middle")


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("0000000111111", "111111", "code is '111111' .not a code.; expected 13 characters"),
        ("inner,1,", "inner,0,", "row 3: mark 0 of channel inner stands in row 2 too"),
        ("0000001011111", "0000000111111", "row 3: code 0000000111111 of channel inner stands in row 2 too"),
        ("86.5", "-1", "row 3: panel_u_px is '-1'"),
    ],
)
def test_wrong_marks_are_told_with_their_row(tmp_path, old, new, part):
    path = tmp_path / "marks.csv"
    write_marks(marks(), path)
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(CaptureError, match=part):
        read_marks(path)
