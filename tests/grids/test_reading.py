"""Reading grids: the same samples whatever the file's dress; errors that say where and how to mend."""

import gzip
from itertools import permutations

import numpy as np
import pytest

from prewarp.errors import GridError, InputFileError, PrewarpError
from prewarp.grids import read_grid, write_grid
from tests.synthetic import make_grid, pupil_lattice

HEADER = "channel,color,eye_x_mm,eye_y_mm,eye_z_mm,dir_x_deg,dir_y_deg,panel_u_px,panel_v_px"
ROW = "inner,G,1.5,-2,0,10,-5,100.5,200.25"


def save(tmp_path, text, name="grid.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_known_row(tmp_path):
    grid = read_grid(save(tmp_path, f"{HEADER}\n{ROW}\n"))
    assert (grid.channel_names, grid.colour_names) == (("inner",), ("G",))
    assert grid.pupil_mm.tolist() == [[1.5, -2.0, 0.0]]
    assert grid.pixel.tolist() == [[100.5, 200.25]]
    # tan 10 and tan 5 degrees from a four-figure table: 0.1763, 0.0875.
    assert grid.tangent[0] == pytest.approx([0.1763, -0.0875], abs=5e-5)
    assert grid.row.tolist() == [2]
    assert len(grid.sha256) == 64


@pytest.mark.parametrize(
    "dress",
    [
        lambda t: t,
        lambda t: t.rstrip("\n"),
        lambda t: "\ufeff" + t,
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.replace("\n", "\r"),
        lambda t: t.replace(",", ";"),
        lambda t: t.replace(",", "\t"),
        lambda t: t.replace(",", ";").replace(".", ","),
        lambda t: t.replace("inner", '"inner"').replace("channel", '"channel"'),
        lambda t: t.replace("inner", " inner "),
        lambda t: t.replace(",10,", ",+1.0e1,"),
    ],
    ids=[
        "plain",
        "no last end",
        "BOM",
        "CRLF",
        "CR",
        "semicolon",
        "tab",
        "decimal comma",
        "quotes",
        "blanks",
        "exp",
    ],
)
def test_dress_of_the_text_does_not_matter(tmp_path, dress):
    plain = read_grid(save(tmp_path, f"{HEADER}\n{ROW}\n{ROW}\n"))
    dressed = read_grid(save(tmp_path, dress(f"{HEADER}\n{ROW}\n{ROW}\n"), "dressed.csv"))
    assert dressed.channel_names == ("inner",)
    for name in ("pupil_mm", "tangent", "pixel", "row"):
        np.testing.assert_array_equal(getattr(dressed, name), getattr(plain, name))


def test_column_order_does_not_matter(tmp_path):
    names, cells = HEADER.split(","), ROW.split(",")
    for order in list(permutations(range(9)))[:: 9 * 8 * 7 * 6]:
        text = ",".join(names[i] for i in order) + "\n" + ",".join(cells[i] for i in order) + "\n"
        assert read_grid(save(tmp_path, text)).pixel.tolist() == [[100.5, 200.25]]


def test_rows_are_lines_of_the_file_even_with_blank_lines(tmp_path):
    grid = read_grid(save(tmp_path, f"\n{HEADER}\n\n{ROW}\n\n\n{ROW}\n"))
    assert grid.row.tolist() == [4, 7]


def test_empty_cells_and_nan_are_kept_for_the_check(tmp_path):
    row = "inner,G,0,0,0,nan,,100,NaN"
    grid = read_grid(save(tmp_path, f"{HEADER}\n{ROW}\n{row}\n"))
    assert grid.finite.tolist() == [True, False]
    assert np.isnan(grid.direction_deg[1]).all() and np.isnan(grid.pixel[1, 1])


@pytest.mark.parametrize("cell", ["NA", "N/A", "n/a", "null", "-nan"])
def test_words_for_not_measured_are_kept_for_the_check(tmp_path, cell):
    grid = read_grid(save(tmp_path, f"{HEADER}\n{ROW}\ninner,G,0,0,0,{cell},1,100,{cell}\n"))
    assert grid.finite.tolist() == [True, False]
    assert np.isnan(grid.direction_deg[1, 0]) and np.isnan(grid.pixel[1, 1]) and grid.pixel[1, 0] == 100.0


def test_a_direction_behind_the_wearer_has_no_tangent(tmp_path):
    grid = read_grid(save(tmp_path, f"{HEADER}\n{ROW.replace('10', '95')}\n"))
    assert np.isnan(grid.tangent[0, 0]) and grid.direction_deg[0, 0] == 95.0


def test_names_come_in_order_of_appearance(tmp_path):
    rows = "\n".join(ROW.replace("inner", name) for name in ("b", "a", "b", "c"))
    grid = read_grid(save(tmp_path, f"{HEADER}\n{rows}\n"))
    assert grid.channel_names == ("b", "a", "c") and grid.channel.tolist() == [0, 1, 0, 2]


def test_extra_columns_keep_their_text(tmp_path):
    text = f"{HEADER},unit,count,gain\n{ROW},007,3,0.5\n{ROW},012,4,\n"
    grid = read_grid(save(tmp_path, text))
    assert grid.extra["unit"].tolist() == ["007", "012"]
    assert grid.extra["count"].tolist() == [3, 4] and grid.extra["count"].dtype == np.int64
    assert grid.extra["gain"][0] == 0.5 and np.isnan(grid.extra["gain"][1])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (f"{HEADER}\n{ROW}\n{ROW.replace('10', 'ten')}\n", r"row 3: dir_x_deg is 'ten'; a number is needed"),
        (f"{HEADER}\n{ROW}\n\n{ROW.replace('10', '1_0')}\n", r"row 4: dir_x_deg is '1_0'"),
        (
            f"{HEADER}\n" + 8 * (ROW.replace("100.5", "x") + "\n"),
            r"rows 2, 3, 4, 5, 6 and 3 more: panel_u_px is 'x'",
        ),
        (f"{HEADER}\n{ROW},7\n", r"row 2: 10 cells; the header has 9.*decimal commas"),
        (f"{HEADER}\n{ROW}\n\ninner,G,1\n", r"row 4: 3 cells; the header has 9"),
        (
            f"{HEADER.replace('dir_x_deg', 'dir_x_degs')}\n{ROW}\n",
            r"missing: dir_x_deg.*'dir_x_degs': rename it",
        ),
        (f"{HEADER.replace('color', 'colour')}\n{ROW}\n", r"The file has 'colour': rename it to 'color'"),
        (f"{HEADER.replace('eye_y_mm', 'EYE_Y_MM')}\n{ROW}\n", r"'EYE_Y_MM': rename it to 'eye_y_mm'"),
        (f"{HEADER.replace('eye_y_mm', 'eye_x_mm')}\n{ROW}\n", r"'eye_x_mm' is there 2 times"),
        (f"{HEADER},\n{ROW},\n", r"column 10 has no name"),
        (f"{ROW}\n{ROW}\n", r"row 1: holds numbers; expected a header"),
        (f"{HEADER}\n", r"0 rows below the header"),
        (f"{HEADER}\n{ROW.replace('inner', '')}\n", r"row 2: channel is ''; expected a name"),
        (f"{HEADER}\n{ROW.replace(',', ';')}\n", r"row 2: 1 cells; the header has 9"),
        (f"{HEADER}\n{ROW}\n".encode("utf-16"), r"UTF-16 text; expected UTF-8"),
        (f"{HEADER}\n{ROW.replace('inner', 'größe')}\n".encode("latin-1"), r"row 2: not UTF-8 text"),
        (b"\x00\x01\x02binary", r"holds zero bytes"),
        (f'{HEADER}\n"in\nner"{ROW[5:]}\n', r"line break|Check quotes|cells; the header"),
    ],
)
def test_bad_text_says_what_where_and_how_to_mend(tmp_path, text, message):
    with pytest.raises(GridError, match=message) as caught:
        read_grid(save(tmp_path, text))
    assert "grid.csv" in str(caught.value)


def test_error_carries_fields(tmp_path):
    with pytest.raises(GridError) as caught:
        read_grid(save(tmp_path, f"{HEADER}\n{ROW}\n{ROW.replace('10', 'ten')}\n"))
    assert (caught.value.row, caught.value.column) == (3, "dir_x_deg")


def test_missing_empty_and_large_files(tmp_path):
    with pytest.raises(InputFileError, match="not found"):
        read_grid(tmp_path / "none.csv")
    with pytest.raises(InputFileError, match="empty"):
        read_grid(save(tmp_path, ""))
    with pytest.raises(InputFileError, match="may be at most"):
        read_grid(save(tmp_path, f"{HEADER}\n{ROW}\n"), limit_bytes=50)


def test_gzip_is_known_by_content_and_its_damage_is_named(tmp_path):
    packed = gzip.compress(f"{HEADER}\n{ROW}\n".encode())
    assert read_grid(save(tmp_path, packed, "misnamed.csv")).pixel[0, 0] == 100.5
    with pytest.raises(GridError, match="damaged gzip"):
        read_grid(save(tmp_path, packed[:-12], "cut.csv.gz"))
    with pytest.raises(GridError, match="unpacks to more than"):
        read_grid(save(tmp_path, gzip.compress(b"a" * 5_000_000), "long.csv.gz"), limit_bytes=1_000_000)


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz", ".npz"])
def test_write_then_read_is_exact_and_deterministic(tmp_path, suffix):
    grid = make_grid("scattered", noise_px=0.1, points=4, pupils=pupil_lattice(2))
    path, again = tmp_path / f"a{suffix}", tmp_path / f"b{suffix}"
    write_grid(path, grid)
    back = read_grid(path)
    write_grid(again, back)
    assert path.read_bytes() == again.read_bytes()
    for name in ("channel", "colour", "pupil_mm", "tangent", "pixel", "direction_deg"):
        np.testing.assert_array_equal(getattr(back, name), getattr(grid, name))
    assert (back.channel_names, back.colour_names) == (grid.channel_names, grid.colour_names)


def test_write_refuses_other_suffixes(tmp_path):
    with pytest.raises(GridError, match="unknown suffix"):
        write_grid(tmp_path / "a.xlsx", make_grid(points=2, pupils=pupil_lattice(1)))
    assert not list(tmp_path.iterdir())


def columns():
    names = HEADER.split(",")
    arrays = {name: np.arange(3.0) for name in names}
    return arrays | {"channel": np.array(["a", "a", "b"]), "color": np.array(["G"] * 3)}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"dir_x_deg": np.arange(4.0)}, r"'dir_x_deg' has shape \(4,\); expected \(3,\)"),
        ({"dir_x_deg": np.arange(3.0).reshape(3, 1)}, r"has shape \(3, 1\)"),
        ({"dir_x_deg": np.array(["1", "2", "3"])}, r"holds <U1; expected real numbers"),
        ({"dir_x_deg": np.arange(3) * 1j}, r"holds complex128"),
        ({"channel": np.array([b"a", b"a", b"b"])}, r"'channel' holds \|S1; expected text"),
        ({"note": np.zeros(3, "M8[s]")}, r"'note' holds datetime64"),
        ({"channel": np.array(["", "a", "b"])}, r"row 1: channel is ''"),
    ],
)
def test_bad_npz_names_the_array(tmp_path, change, message):
    np.savez(tmp_path / "g.npz", **(columns() | change))
    with pytest.raises(PrewarpError, match=message):
        read_grid(tmp_path / "g.npz")


def test_npz_missing_column_and_pickles(tmp_path):
    arrays = columns()
    del arrays["panel_v_px"]
    np.savez(tmp_path / "g.npz", **arrays)
    with pytest.raises(GridError, match="missing: panel_v_px"):
        read_grid(tmp_path / "g.npz")
    np.savez(tmp_path / "p.npz", **(columns() | {"note": np.array([{}, None, 1], dtype=object)}))
    with pytest.raises(InputFileError, match="Python objects"):
        read_grid(tmp_path / "p.npz")


def test_npz_takes_integers_and_big_endian(tmp_path):
    change = {
        "panel_u_px": np.array([1, 2, 3], dtype=">i4"),
        "panel_v_px": np.array([1, 2, 3], dtype=np.uint8),
    }
    np.savez(tmp_path / "g.npz", **(columns() | change))
    grid = read_grid(tmp_path / "g.npz")
    assert grid.pixel.dtype == np.float64 and grid.pixel[:, 0].tolist() == [1, 2, 3]
    assert grid.row.tolist() == [1, 2, 3]
