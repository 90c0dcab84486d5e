"""Past its border a map may fold: no error in px is asked for there, tables follow it all the same."""

from dataclasses import dataclass

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.lookup import Optimiser, prepare
from prewarp.lookup.measure import heeded, map_truth
from tests.closed_form import PlaneChannel, PlaneSet

BOX_MM = np.array([[-3.0, -3.0, 0.0], [3.0, 3.0, 0.0]])
# The slope along u changes its sign this far across the panel, at a node over which errors are measured.
FOLD = 30.0 / 32.0


@dataclass(frozen=True)
class FoldedAside(PlaneChannel):
    """A map of high degree that folds near one side of the panel."""

    border_pixel: np.ndarray | None = None

    def forward(self, pixel, /, *, pupil_mm):
        pixel = np.asarray(pixel, float)
        width = self.panel_size_px[0]
        # u - width f^16 / (16 FOLD^15): slope 1 - (f / FOLD)^15.
        bent = pixel[..., 0] - width * (pixel[..., 0] / width) ** 16 / (16.0 * FOLD**15)
        return super().forward(np.stack([bent, pixel[..., 1]], axis=-1), pupil_mm=pupil_mm)


EDGE = 0.8 * 640.0
BORDER = np.array([[0.0, 0.0], [EDGE, 0.0], [EDGE, 480.0], [0.0, 480.0]])


def optimiser(border_pixel):
    return Optimiser(
        PlaneSet({("left", "G"): FoldedAside("left", border_pixel=border_pixel)}),
        pupil_box_mm=BOX_MM,
        panel_points=33,
        pupil_counts=(3, 3, 1),
    )


def test_directions_past_the_border_weigh_what_they_weigh_inside():
    pupils = np.zeros((1, 3))
    bare, held = (
        map_truth(FoldedAside("left", border_pixel=border), pupils, panel_points=33)
        for border in (None, BORDER)
    )
    inside = np.linspace(0.0, 640.0, 33) <= EDGE
    size = np.linalg.norm(held.px_per_tangent, axis=(-2, -1))[0]
    np.testing.assert_array_equal(held.px_per_tangent[:, :, inside], bare.px_per_tangent[:, :, inside])
    assert size[:, ~inside].max() <= np.median(size[:, inside]) * (1.0 + 1e-12)
    # At the fold a direction would count more than ten times as many px, and change its side.
    assert np.linalg.norm(bare.px_per_tangent, axis=(-2, -1)).max() > 10.0 * size.max()
    problem = optimiser(BORDER).problems[0]
    s = np.array([-0.5, 0.5, 2.0 * FOLD - 1.0])
    searched = np.linalg.norm(problem.px_per_tangent(s, s), axis=(-2, -1))
    assert searched[:, 2].max() <= np.median(searched[:, :2]) * (1.0 + 1e-12)


def test_a_table_follows_a_map_that_folds_past_its_border():
    held = optimiser(BORDER)
    lookup, errors = held.search(0.25, "chebyshev")
    assert errors[0].max_px <= 0.25
    truth = held.truths["left", "G"]
    got = prepare(lookup, 0, truth.pupils_mm[4]).mesh(33, 33)
    middle_px_per_tangent = 640.0 / 0.8
    assert np.abs(got - truth.tangent[4]).max() * middle_px_per_tangent < 0.5


def test_without_a_border_a_fold_cannot_be_reached_and_the_figure_is_what_was_measured():
    with pytest.raises(PackageError, match="cannot reach") as caught:
        optimiser(None).search(1e-3, "spline")
    assert caught.value.fields["error_px"] > 1e-3


def test_px_are_heeded_as_far_as_inside():
    scale = np.array([1.0, 2.0, 3.0, 1e6, np.nan, 0.5])[:, None, None] * np.eye(2)
    got = heeded(scale, np.array([True, True, True, False, False, False]))
    np.testing.assert_allclose(got[:3], scale[:3])
    np.testing.assert_allclose(got[3:5], [2.0 * np.eye(2)] * 2)
    np.testing.assert_allclose(got[5], scale[5])
    np.testing.assert_array_equal(heeded(scale[:4], np.ones(4, dtype=bool)), scale[:4])
