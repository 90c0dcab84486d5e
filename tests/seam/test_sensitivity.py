"""Overlaps and sensitivity maps against closed forms and against the exact seam error."""

import numpy as np
import pytest

from prewarp.seam import (
    build_seam,
    channel_sensitivity,
    overlaps,
    seam_error,
    seam_sensitivity,
    sensitivity_map,
)
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels

CENTRE = np.zeros(3)
# A dioptre is one mrad per mm: 3.43775 arcmin per mm.
ARCMIN_PER_MM_AND_DIOPTRE = 180.0 * 60.0 / np.pi / 1000.0
DIRECTIONS = np.array([[0.0, 0.0], [0.02, -0.08], [-0.02, 0.1]])


@pytest.mark.outside
def test_sensitivity_of_a_plane_is_its_vergence():
    # Smith, Modern Optical Engineering (vergence, from memory): straight ahead a point at D dioptres turns by
    # D mrad per mm.
    left, _ = two_channels(distance_m=(1.5, 3.0))
    own = channel_sensitivity(left, CENTRE[:2], pupil_mm=CENTRE)
    expected = -np.eye(2) / 1.5 * ARCMIN_PER_MM_AND_DIOPTRE
    np.testing.assert_allclose(own, np.column_stack([expected, [0.0, 0.0]]), atol=1e-9)


def test_every_column_is_the_way_of_the_picture():
    """Content drawn for a pupil and seen from a step beside it, in x, y and z."""
    left, right = two_channels(distance_m=(1.5, 3.0))
    pupil = np.array([1.0, -2.0, 1.5])
    for first, second in ((left, right), (right, left)):
        step = channel_sensitivity(second, DIRECTIONS, pupil_mm=pupil) - channel_sensitivity(
            first, DIRECTIONS, pupil_mm=pupil
        )
        for axis in range(3):
            moved = pupil + 1e-3 * np.eye(3)[axis]
            exact = seam_error(first, second, DIRECTIONS, pupil_mm=moved, tracked_pupil_mm=pupil)
            np.testing.assert_allclose(step[..., axis], exact.vector_arcmin / 1e-3, atol=1e-3)
        np.testing.assert_allclose(
            step[..., :2], seam_sensitivity(first, second, DIRECTIONS, pupil_mm=pupil), atol=1e-9
        )


def test_worst_cases_over_the_eye_box_are_the_worst_of_all_tried():
    left, right = two_channels(distance_m=(1.0, 3.0))
    found = sensitivity_map(left, right, DIRECTIONS, pupils_mm=EYE_BOX_CORNERS)
    every = np.stack(
        [
            seam_error(left, right, DIRECTIONS, pupil_mm=pupil, tracked_pupil_mm=CENTRE).error_arcmin
            for pupil in EYE_BOX_CORNERS
        ]
    )
    np.testing.assert_allclose(found.fixed_worst_arcmin, every.max(axis=0))
    np.testing.assert_array_equal(found.fixed_worst_pupil_mm, EYE_BOX_CORNERS[every.argmax(axis=0)])
    # Two thirds of a dioptre straight ahead; the nearest corner of the box (z = 2) is a little worse.
    per_mm = 2.0 / 3.0 * ARCMIN_PER_MM_AND_DIOPTRE
    assert found.tracked_worst_arcmin_per_mm[0] == pytest.approx(per_mm, rel=0.01)
    assert found.tracked_worst_arcmin_per_mm[0] > per_mm
    assert found.tracked_worst_pupil_mm[0, 2] == 2.0
    np.testing.assert_allclose(found.tracked_worst_arcmin(0.5), 0.5 * found.tracked_worst_arcmin_per_mm)
    assert repr(found) == (
        f"<SensitivityMap of left and right, 3 directions: "
        f"seam error at most {every.max():.3g} arcmin fixed, {found.tracked_worst_arcmin_per_mm.max():.3g} "
        "arcmin per mm tracked>"
    )
    figures = found.as_dict()
    assert figures["channels"] == ["left", "right"]
    assert figures["fixed_worst_arcmin"]["max_arcmin"] == pytest.approx(every.max())
    assert figures["sensitivity_mean_arcmin_per_mm"]["left"] == pytest.approx(
        ARCMIN_PER_MM_AND_DIOPTRE, rel=0.02
    )


def test_one_image_plane_has_no_difference():
    found = sensitivity_map(*two_channels(), DIRECTIONS, pupils_mm=EYE_BOX_CORNERS)
    assert np.abs(found.difference_arcmin_per_mm).max() < 1e-9
    assert found.fixed_worst_arcmin.max() < 1e-6
    assert np.abs(found.own_arcmin_per_mm).max() > 2.0


def test_directions_out_of_reach_are_nan_not_an_error():
    found = sensitivity_map(*two_channels(), [[0.0, 0.0], [0.3, 0.0]], pupils_mm=EYE_BOX_CORNERS)
    assert np.isfinite(found.fixed_worst_arcmin).tolist() == [True, False]
    assert np.isfinite(found.tracked_worst_arcmin_per_mm).tolist() == [True, False]
    assert found.as_dict()["directions"] == 2


def test_overlap_is_where_both_serve_and_light(seam):
    (overlap,) = overlaps(seam, step_deg=1.0)
    assert overlap.channels == ("left", "right") and len(overlap.tangent) > 50
    assert seam.served(overlap.tangent).all() and overlap.share.min() > 1e-3
    np.testing.assert_allclose(overlap.share, seam.weights(overlap.tangent))
    plane = overlap.spread_out(np.degrees(np.arctan(overlap.tangent[:, 0])))
    x = np.broadcast_to(overlap.axes_deg[0], plane.shape)
    np.testing.assert_allclose(plane[overlap.inside], x[overlap.inside], atol=1e-9)
    assert np.isnan(plane[~overlap.inside]).all()
    few = overlap.thinned(10)
    assert len(few) == 10 and len(overlap.thinned(10**6)) == len(overlap.tangent)


def test_a_single_channel_has_no_overlap():
    assert overlaps(build_seam(plane_set(two_channels()[0]), pupils_mm=CENTRE)) == ()
