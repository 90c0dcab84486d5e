"""Meshes as CSV: read by the plain csv module, round trip to the last digit, damaged files."""

import csv
import io

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.csv_mesh import NAMES, csv_bytes, csv_file, nodes_from_csv
from tests.export.device_builds import PUPILS, small_build, small_fields


@pytest.fixture(scope="module")
def mesh():
    return small_build().mesh("left", "G", 1)


def test_by_hand(mesh):
    # Plain csv module: header and one node, without any of our reading code.
    rows = list(csv.DictReader(io.StringIO(csv_bytes(mesh).decode())))
    node = next(row for row in rows if row["row"] == "7" and row["column"] == "31")
    pixel = np.array([float(node["panel_u_px"]), float(node["panel_v_px"])])
    np.testing.assert_allclose(pixel, [31 * 10.0, 7 * 10.0])
    tangent = small_fields().field("left", "G").forward(pixel, pupil_mm=PUPILS[1])
    np.testing.assert_allclose(
        [float(node["dir_x_deg"]), float(node["dir_y_deg"])], np.degrees(np.arctan(tangent)), atol=1e-10
    )


def test_numbers_read_back_as_the_same_doubles(mesh):
    nodes = nodes_from_csv(csv_bytes(mesh), 25, 33, where="t")
    np.testing.assert_array_equal(nodes[..., 6:8], mesh.content_px)
    np.testing.assert_array_equal(nodes[..., 8], mesh.weight)
    np.testing.assert_array_equal(nodes[3, 5, :4], [3, 5, 50.0, 30.0])


def test_the_manifest_says_what_it_is(mesh):
    entry = csv_file(small_build(), mesh, 1).entry()
    assert entry["path"] == "meshes/c0-left_G_p001.csv"
    assert entry["arrays"][0]["shape"] == [25, 33, 9] and "px" in entry["arrays"][0]["unit"]


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda d: d.replace(b"row", b"raw", 1), "rows of raw, column"),
        (lambda d: d[: len(d) // 2].rpartition(b"\n")[0] + b"\n", "expected 825 of row, column"),
        (lambda d: b"", "not a CSV file"),
        (lambda d: b"\xff\xfe\x00" * 9, "m.csv: "),
        (lambda d: d.replace(b"\n3,5,", b"\n3,x,", 1), "not all cells are numbers"),
        (lambda d: d + b"1,2\n", "not a CSV file"),
    ],
)
def test_damaged_files_are_refused(mesh, damage, message):
    data = damage(csv_bytes(mesh))
    with pytest.raises(PackageError, match=message):
        nodes_from_csv(data, 25, 33, where="m.csv")


def test_columns_are_the_public_ones():
    own = "row column panel_u_px panel_v_px dir_x_deg dir_y_deg content_u_px content_v_px weight"
    assert list(NAMES) == own.split()
