"""Late rotation of the C evaluator, both paths: rate times time by an outside library; what is refused."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.errors import PackageError
from prewarp.export.c_evaluator import CEvaluator, compile_evaluator
from prewarp.frames import arcmin_between
from prewarp.head import HeadTurn
from prewarp.scan import SCAN_DIRECTIONS, PanelScan
from tests.lookup.small_lookups import SIZE, small_blobs

PUPIL = np.array([1.25, -2.25, 0.75])
# Asked for; what is reached is some 2e-4 (float32) and 1e-4 (integers, times of 1 ns).
CLOSE_ARCMIN, REACHED_ARCMIN = 0.01, 1e-3
HEADS = {
    "right": HeadTurn.of_angles(100.0, 0.0, 0.0),
    "all": HeadTurn((-300.0, 250.0, 400.0), 7.0),
    "far": HeadTurn((0.0, 1800.0, 0.0), 2.0),
}
REFUSED, NO_SUCH = 18, 19


@pytest.fixture(scope="module")
def evaluator(tmp_path_factory):
    return CEvaluator(compile_evaluator(tmp_path_factory.mktemp("turn")), small_blobs()["chebyshev"])


def by_hand(tangent, pixel, scan, head):
    """Turn directions by SciPy's rotations, by times counted from the panel's sides."""
    (width, height), (u, v) = SIZE, np.moveaxis(np.asarray(pixel, float), -1, 0)
    line = {"down": v - 0.5, "up": height - 0.5 - v, "right": u - 0.5, "left": width - 0.5 - u}[
        scan.direction
    ]
    time_ms = scan.start_ms + scan.line_us * line / 1e3 + scan.persistence_ms / 2.0 - head.drawn_for_ms
    vector = np.column_stack([tangent, np.ones(len(tangent))])
    turned = Rotation.from_rotvec(np.radians(head.rate_deg_per_s) * time_ms[:, None] / 1e3).apply(vector)
    return turned[:, :2] / turned[:, 2:]


@pytest.mark.outside
@pytest.mark.parametrize("fixed", [False, True])
@pytest.mark.parametrize("direction", SCAN_DIRECTIONS)
@pytest.mark.parametrize("name", HEADS)
def test_points_and_meshes_turn_by_rate_times_time(evaluator, name, direction, fixed):
    head, scan = HEADS[name], PanelScan(direction, 0.5, 12.0, 2.0)
    one = evaluator.map_at(0, PUPIL, fixed=fixed)
    pixel = np.random.default_rng(3).uniform([0.0, 0.0], SIZE, (200, 2)).astype(np.float32)
    plain = one.direction_from_panel(pixel)
    turned, status = one.turned(pixel, scan.lit_s(SIZE), head)
    assert np.all(status == 0)
    error = arcmin_between(turned.astype(float), by_hand(plain, pixel, scan, head))
    assert error.max() < REACHED_ARCMIN < CLOSE_ARCMIN
    columns, rows = 9, 7
    mesh = one.turned_mesh(columns, rows, scan.lit_s(SIZE), head)
    u, v = np.meshgrid(np.linspace(0.0, SIZE[0], columns), np.linspace(0.0, SIZE[1], rows))
    nodes = np.column_stack([u.ravel(), v.ravel()])
    expected = by_hand(one.mesh(columns, rows).reshape(-1, 2), nodes, scan, head)
    assert arcmin_between(mesh.reshape(-1, 2).astype(float), expected).max() < REACHED_ARCMIN


@pytest.mark.parametrize("fixed", [False, True])
def test_a_head_that_keeps_still_changes_no_bit(evaluator, fixed):
    one, lit_s = evaluator.map_at(0, PUPIL, fixed=fixed), PanelScan("up", 3.0, 12.0, 2.0).lit_s(SIZE)
    still = one.turned_mesh(17, 9, lit_s, HeadTurn(drawn_for_ms=5.0))
    assert still.tobytes() == one.mesh(17, 9).tobytes()


@pytest.mark.parametrize("fixed", [False, True])
def test_what_cannot_be_turned_stays_as_it_is(evaluator, fixed):
    one = evaluator.map_at(0, PUPIL, fixed=fixed)
    pixel = np.array([[0.5, 0.5], [0.5, 479.5]])
    scan = PanelScan("down", 0.0, 100.0, 2.0)
    # 2000 deg/s: 2 degrees at the first line, 98 at the last.
    turned, status = one.turned(pixel, scan.lit_s(SIZE), HeadTurn((0.0, 2000.0, 0.0)))
    assert status.tolist() == [0, REFUSED]
    np.testing.assert_array_equal(turned[1], one.direction_from_panel(pixel)[1])
    with pytest.raises(PackageError, match="refuses to turn a mesh with status 18"):
        one.turned_mesh(9, 7, scan.lit_s(SIZE), HeadTurn((0.0, 2000.0, 0.0)))
    with pytest.raises(PackageError, match="refuses a mesh of 1 x 7"):
        one.turned_mesh(1, 7, scan.lit_s(SIZE), HEADS["right"])
    absurd = (1e6, 0.0, 0.0)
    assert one.turned(pixel, absurd, HEADS["right"])[1].tolist() == [REFUSED] * 2
    if not fixed:
        nothing = (float("nan"), 0.0, 0.0)
        assert one.turned(pixel, nothing, HEADS["right"])[1].tolist() == [REFUSED] * 2
    else:
        steep = (0.0, 0.5, 0.0)
        assert one.turned(pixel, steep, HEADS["right"])[1].tolist() == [REFUSED] * 2
