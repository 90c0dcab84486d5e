"""Luminance of mesh nodes over the pupil is that of the maps, off the plane too."""

import numpy as np
import pytest

from prewarp.errors import RenderError
from prewarp.photometry import fit_luminance, match_light
from prewarp.render.live.eye_light import EyeLight, lit_table
from prewarp.render.live.eye_table import eye_table
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels
from tests.photometry.truth import SIZE, measured_grid

HALF_MM = np.array([4.0, 3.0, 2.0])
PUPILS = [(0.0, 0.0, 0.0), (3.5, -2.5, 0.0), (-3.0, 2.0, 2.0)]
WHITE = {"R": 0.9, "G": 1.1, "B": 0.8}
# Share of luminance: splines over 33 nodes, and a polynomial's pupil basis for the same polynomial.
ERROR = 1e-5


@pytest.fixture(scope="module")
def measured():
    fields = plane_set(*two_channels(SIZE))
    maps = fit_luminance(measured_grid(), panel_sizes_px={"left": SIZE, "right": SIZE})
    match = match_light(
        fields, maps, build_seam(fields, pupils_mm=EYE_BOX_CORNERS), pupils_mm=EYE_BOX_CORNERS
    )
    light = EyeLight(match, WHITE, ("R", "G", "B"))
    table = eye_table(fields, "right", half_mm=HALF_MM, step_px=40.0)
    return fields, light, table, lit_table(table, light)


@pytest.mark.parametrize("pupil", PUPILS)
def test_nodes_are_as_bright_as_the_maps_say(measured, pupil):
    _, light, _, table = measured
    own, seen = table.luminance(pupil)
    tangents = table.tangents(pupil)
    where, pixel = table.seen(pupil)
    inner = (slice(1, -1), slice(1, -1))
    for place, colour in enumerate("RGB"):
        one = light.match.maps.map("right", colour)
        exact = one.at(table.node_px, tangents[..., place, :], pupil_mm=pupil)
        np.testing.assert_allclose(own[..., place][inner], exact[inner], rtol=ERROR)
        shared = light.shares.map("right", colour).at(pixel[..., place, :], where, pupil_mm=pupil)
        on_panel = np.all((pixel[..., place, :] >= 0.0) & (pixel[..., place, :] <= SIZE), axis=-1)
        assert on_panel.mean() > 0.65
        np.testing.assert_allclose(seen[..., place][on_panel], shared[on_panel], rtol=ERROR)


def test_directions_stay_and_tables_can_be_thinned(measured):
    _, _, plain, table = measured
    for pupil in PUPILS:
        np.testing.assert_allclose(table.tangents(pupil), plain.tangents(pupil), atol=1e-12)
    thin = table.thinned()
    assert thin.node_shape != table.node_shape
    own, seen = thin.luminance(PUPILS[1])
    whole, _ = table.luminance(PUPILS[1])
    np.testing.assert_allclose(own[1:-1, 1:-1], whole[1:-1:2, 1:-1:2], rtol=1e-12)
    assert seen.shape == own.shape


def test_a_table_without_luminance_says_so(measured):
    with pytest.raises(RenderError, match="no luminance. Make it with `lit_table`"):
        measured[2].luminance(PUPILS[0])
