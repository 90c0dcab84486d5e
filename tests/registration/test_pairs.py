"""The table of seam pairs: columns, defaults, and what is refused with its row."""

import numpy as np
import pytest

from prewarp.errors import GridError, InputFileError
from prewarp.files import npz_bytes
from prewarp.registration import read_pairs

HEADER = (
    "channel_a,channel_b,color,eye_x_mm,eye_y_mm,eye_z_mm,panel_a_u_px,panel_a_v_px,panel_b_u_px,panel_b_v_px"
)
ROW = "inner,outer,G,0,1,-0.5,600,200,30.25,201"


def written(tmp_path, *lines):
    path = tmp_path / "pairs.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_columns_and_defaults(tmp_path):
    pairs = read_pairs(written(tmp_path, HEADER, ROW, ROW.replace("30.25", "31")))
    assert len(pairs) == 2 and pairs.channels == ("inner", "outer")
    np.testing.assert_array_equal(pairs.pupil_mm[0], [0.0, 1.0, -0.5])
    np.testing.assert_array_equal(pairs.pixel_a[0], [600.0, 200.0])
    np.testing.assert_array_equal(pairs.pixel_b[:, 0], [30.25, 31.0])
    np.testing.assert_array_equal(pairs.step_arcmin, np.zeros((2, 2)))
    np.testing.assert_array_equal(pairs.row, [2, 3])
    assert len(pairs.sha256) == 64


def test_optional_columns_and_npz(tmp_path):
    more = read_pairs(
        written(tmp_path, HEADER + ",sigma_arcmin,step_y_arcmin", ROW + ",0.5,-2", ROW + ",0.25,3")
    )
    np.testing.assert_array_equal(more.step_arcmin, [[0.0, -2.0], [0.0, 3.0]])
    np.testing.assert_array_equal(more.sigma_arcmin, [0.5, 0.25])
    columns = {"channel_a": ["inner"], "channel_b": ["outer"], "color": ["R"]}
    columns |= {name: [1.5] for name in HEADER.split(",")[3:]}
    path = tmp_path / "pairs.npz"
    path.write_bytes(npz_bytes({name: np.array(values) for name, values in columns.items()}))
    assert read_pairs(path).colour.tolist() == ["R"]


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (
            (HEADER.replace("panel_b_v_px", "panel_b_v"), ROW),
            "column missing: panel_b_v_px. The file has 'panel_b_v'",
        ),
        ((HEADER, ROW, ROW.replace("600", "x")), "row 3: panel_a_u_px is 'x'"),
        ((HEADER, ROW, ROW.replace("600", "")), "row 3: a value is missing"),
        ((HEADER, ROW.replace("outer", "inner")), "row 2: channel_a and channel_b are one"),
        ((HEADER + ",sigma_arcmin", ROW + ",0"), "row 2: sigma_arcmin is not positive"),
        ((HEADER + ",step_x_arcmin", ROW + ",9000"), "row 2: a step is beyond 600 arcmin"),
        ((ROW, ROW), "expected a header. Put this line first: channel_a,channel_b,color"),
    ],
)
def test_bad_rows_are_named(tmp_path, lines, message):
    with pytest.raises(GridError, match=message):
        read_pairs(written(tmp_path, *lines))


def test_missing_file_says_what_was_expected(tmp_path):
    with pytest.raises(InputFileError, match="not found; expected a table of seam pairs"):
        read_pairs(tmp_path / "none.csv")
