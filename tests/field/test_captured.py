"""What a capture determines: where pupils were, moved along rays; stored with the fit."""

import numpy as np
import pytest

from prewarp.errors import ExtrapolationError, ShapeError
from prewarp.field import Captured, FieldSet, Mount, fit_grid, outside_capture, require_captured
from prewarp.field.captured import captured_by
from prewarp.field.known import common_motion, motion_not_known
from tests.synthetic import PlaneImage, make_grid, pupil_lattice

PANEL = (640, 480)
AHEAD = np.zeros(2)


def hull_of(pupil):
    directions = np.random.default_rng(0).uniform(-0.3, 0.3, (50, 2))
    return captured_by(np.repeat(pupil, 50, axis=0), np.tile(directions, (len(pupil), 1)))


def small_fit(pupils, depths=(0.0,)):
    grid = make_grid(
        "panel",
        points=7,
        pupils=pupils,
        channels={"inner": PlaneImage(size_px=PANEL, focal_px=720.0)},
        colours=("G",),
    )
    return fit_grid(grid, panel_size_px=PANEL, family="polynomial")


@pytest.fixture(scope="module")
def flat():
    """A fit of 5 x 5 pupil positions at z = 0, 2 mm apart."""
    return small_fit(pupil_lattice(5))


@pytest.mark.parametrize(
    ("pupil", "tangent", "distance"),
    [
        ((0.0, 0.0, 0.0), AHEAD, 0.0),
        ((4.0, -4.0, 0.0), (0.3, 0.1), 0.0),
        ((5.0, 0.0, 0.0), AHEAD, 1.0),
        ((7.0, 8.0, 0.0), AHEAD, 5.0),
        # Seen along (0.5, 0) a pupil 2 mm before the plane crosses it 1 mm to the left.
        ((4.5, 0.0, 2.0), (0.5, 0.0), 0.0),
        ((4.5, 0.0, 2.0), (-0.5, 0.0), 1.5),
    ],
)
def test_distance_outside_a_square(pupil, tangent, distance):
    captured = hull_of(pupil_lattice(5))
    assert captured.outside_mm(np.array(pupil), np.array(tangent)) == pytest.approx(distance, rel=2e-3)


def test_captured_positions_are_inside_whatever_the_direction():
    random = np.random.default_rng(1)
    for pupil in (pupil_lattice(3, depths_mm=(-2.0, 2.0)), random.uniform(-4.0, 4.0, (60, 3))):
        captured = hull_of(pupil)
        tangent = random.uniform(-0.8, 0.8, (40, 1, 2))
        assert np.all(captured.outside_mm(pupil, tangent) == 0.0)


@pytest.mark.parametrize(
    ("pupil", "spacing"),
    [
        (pupil_lattice(1), 0.0),
        (pupil_lattice(5), 2.0),
        (pupil_lattice(3, depths_mm=(-2.0, 0.0, 2.0)), 4.0),
        (np.array([(x, 0.0, 0.0) for x in (-3.0, -1.0, 1.0, 3.0)]), 2.0),
        (np.array([(x, y, 0.0) for x in range(6) for y in range(3)], dtype=float), 1.0),
    ],
)
def test_spacing_is_that_of_a_lattice(pupil, spacing):
    assert hull_of(pupil).spacing_mm == pytest.approx(spacing)


def test_depth_counts_where_rays_cross_the_captured_plane(flat):
    """A capture in one plane speaks for other depths; half a spacing beyond it there is no more to say."""
    assert outside_capture(flat, ["inner"], [0.0, 0.0, 6.0]) == ()
    (near,) = outside_capture(flat, ["inner"], [4.9, 0.0, 0.0])
    (far,) = outside_capture(flat, ["inner"], [[4.0, 0.0, 0.0], [5.1, 0.0, 0.0]])
    require_captured([near])
    assert not near.is_far and far.is_far and far.pupil_mm == (5.1, 0.0, 0.0)
    with pytest.raises(ExtrapolationError, match=r"pupil \(5.1, 0, 0\) mm lies 1.1 mm outside .*'inner'"):
        require_captured([near, far])


def test_a_mounted_channel_is_asked_in_its_own_frame(flat):
    """Turned by 90 degrees about the line of sight, a pupil to the right was captured below."""
    line = small_fit(np.array([(x, 0.0, 0.0) for x in np.linspace(-4, 4, 5)]))
    turned = line.mounted({"inner": Mount((0.0, 0.0, 45.0))}, provenance={})
    along = np.array([np.sqrt(0.5), np.sqrt(0.5), 0.0]) * 3.9
    assert line.outside_mm("inner", AHEAD, pupil_mm=along) > 2.0
    assert turned.outside_mm("inner", AHEAD, pupil_mm=along) == pytest.approx(0.0, abs=1e-9)


def test_save_and_load_keep_what_was_captured(flat, tmp_path):
    line = small_fit(np.array([(x, 0.0, 0.0) for x in np.linspace(-4, 4, 5)]))
    for fields in (flat, line):
        fields.save(tmp_path / "a.npz")
        loaded = FieldSet.load(tmp_path / "a.npz")
        one, other = fields.captured["inner"], loaded.captured["inner"]
        np.testing.assert_array_equal(one.corners_mm, other.corners_mm)
        np.testing.assert_array_equal(one.motions, other.motions)
        np.testing.assert_array_equal(one.unseen, other.unseen)
        assert one.pupil_functions == other.pupil_functions and one.spacing_mm == other.spacing_mm
        assert loaded.summary() == fields.summary()
        loaded.save(tmp_path / "b.npz")
        assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()


def test_what_a_line_does_not_show_is_named(flat):
    line = small_fit(np.array([(x, 0.0, 0.0) for x in np.linspace(-4, 4, 5)]))
    one = small_fit(pupil_lattice(1))
    assert motion_not_known(flat, ["inner"], "focus") is None
    np.testing.assert_allclose(common_motion(line, ["inner"]), [1.0, 0.0])
    assert common_motion(flat, ["inner"]) is None and common_motion(one, ["inner"]) is None
    assert motion_not_known(line, ["inner"], "focus").text() == (
        "focus: not known: needs pupil positions that differ along y too (channel 'inner' was captured at 5 "
        "pupil positions, which show motion of the pupil along x alone)."
    )
    assert "three or more, not on one line" in motion_not_known(one, ["inner"], "focus").needs


@pytest.mark.parametrize(
    "change",
    [
        {"corners_mm": np.zeros((0, 3))},
        {"corners_mm": np.full((1, 3), np.nan)},
        {"motions": np.zeros((3, 2))},
        {"spacing_mm": -1.0},
        {"unseen": np.zeros((1, 3))},
    ],
)
def test_damaged_captures_are_refused(change):
    good = {"corners_mm": np.zeros((1, 3)), "positions": 1, "spacing_mm": 0.0, "motions": np.zeros((0, 2))}
    Captured(**good)
    with pytest.raises(ShapeError):
        Captured(**{**good, **change})
