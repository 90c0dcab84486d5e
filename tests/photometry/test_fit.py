"""Luminance maps against luminance in closed form: between measured pupils, off their plane, with faults."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import FitError, ShapeError
from prewarp.photometry import fit_luminance, lit_border, lit_fields, narrowed_fields
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, two_channels
from tests.photometry.conftest import SIZES
from tests.photometry.truth import SIZE, TrueMaps, measured_grid

# Noise is 0.3 % of full light; 25 x 135 samples for 90 unknowns leave sqrt(90 / 3375) = 0.16 of it on
# average, and several times that in the corners of panel and eye box at once, where few samples hold the map.
MAP_RMS, MAP_ERROR = 0.001, 0.006
# Dots are 39 px apart and the edge falls over 60: up to 4 % of lost light passes for the plateau's own
# (`LEAST_STEP`), and the map leans toward it near the edge by a part of that.
EDGE_ERROR = 0.02
SINGLE = {"colours": ("G",)}


def places(count=4000, seed=2):
    """Return panel points, directions and pupils that were never measured, for both channels."""
    random = np.random.default_rng(seed)
    pixel = random.uniform(20, np.array(SIZE) - 20, (count, 2))
    pupil = random.uniform(-1.0, 1.0, (count, 3)) * [3.8, 3.8, 2.0]
    return {c.channel: (pixel, c.forward(pixel, pupil_mm=pupil), pupil) for c in two_channels(SIZE)}


def test_map_follows_the_truth_at_pupils_never_measured(maps):
    for (channel, colour), luminance in maps.maps.items():
        pixel, tangent, pupil = places()[channel]
        expected = TrueMaps().map(channel, colour).at(pixel, tangent, pupil_mm=pupil)
        found = luminance.at(pixel, tangent, pupil_mm=pupil)
        assert np.max(np.abs(found / expected - 1.0)) < MAP_ERROR
        assert np.sqrt(np.mean((found / expected - 1.0) ** 2)) < MAP_RMS
        figures = luminance.figures
        # Light is about 0.7, so noise of 0.003 is about 0.4 % of it.
        assert 0.3 < figures.residual_rms_percent < 0.55 and figures.cross_validated_rms_percent < 0.6
        assert figures.outlier_rows == () and luminance.edge is None


def test_captures_at_other_depths_join_one_map():
    flat = fit_luminance(measured_grid(noise=0.0, **SINGLE), panel_sizes_px=SIZES)
    deep = fit_luminance(measured_grid(noise=0.0, depth_mm=(-3.0, 2.0), **SINGLE), panel_sizes_px=SIZES)
    pixel, tangent, pupil = places(500)["left"]
    one, other = (m.map("left", "G").at(pixel, tangent, pupil_mm=pupil) for m in (flat, deep))
    np.testing.assert_allclose(one, other, rtol=2e-3)


def test_shapes_broadcast(maps):
    luminance = maps.map("left", "R")
    pixel, tangent = np.full((3, 1, 2), 400.0), np.zeros((3, 5, 2))
    assert luminance.at(pixel, tangent, pupil_mm=np.zeros(3)).shape == (3, 5)
    with pytest.raises(ShapeError, match=r"pupil_mm has shape \(2,\)"):
        luminance.at(pixel, tangent, pupil_mm=np.zeros(2))


def test_light_is_positive_even_where_samples_are_not():
    # Dark frame subtracted: noise takes dim samples below zero.
    grid = measured_grid(noise=0.0, **SINGLE)
    random = np.random.default_rng(1)
    dim = replace(grid, luminance=grid.luminance * 0.01 + 0.01 * random.normal(size=len(grid)))
    assert (dim.luminance < 0.0).mean() > 0.2
    luminance = fit_luminance(dim, panel_sizes_px=SIZES).map("left", "G")
    pixel, tangent, pupil = places()["left"]
    assert luminance.at(pixel, tangent, pupil_mm=pupil).min() > 0.0


def test_faults_are_named_and_do_no_harm():
    grid = measured_grid(**SINGLE)
    spoilt = grid.luminance.copy()
    rows = np.random.default_rng(4).permutation(len(grid))[:12]
    spoilt[rows[:6]] *= 0.6
    spoilt[rows[6:]] *= 1.5
    spoilt[7] = np.nan
    fitted = fit_luminance(replace(grid, luminance=spoilt), panel_sizes_px=SIZES)
    named = sum((m.figures.outlier_rows for m in fitted.maps.values()), ())
    assert sorted(named) == sorted((rows[rows != 7] + 1).tolist())
    pixel, tangent, pupil = places()["right"]
    truth = TrueMaps().map("right", "G").at(pixel, tangent, pupil_mm=pupil)
    assert (
        np.max(np.abs(fitted.map("right", "G").at(pixel, tangent, pupil_mm=pupil) / truth - 1.0)) < MAP_ERROR
    )


@pytest.fixture(scope="module")
def vignetted():
    return fit_luminance(measured_grid(vignetted=True, points=(41, 11), **SINGLE), panel_sizes_px=SIZES)


def test_vignetting_edge_is_found_and_the_plateau_kept(vignetted):
    left = vignetted.map("left", "G")
    assert left.edge is not None and left.figures.beyond_edge > 500
    assert vignetted.map("right", "G").edge is None
    pixel, tangent, pupil = places()["left"]
    x = pupil[:, 0] - pupil[:, 2] * tangent[:, 0]
    beyond = pixel[:, 0] - (1480.0 - 15.0 * x - 0.1 * (pixel[:, 1] - 320.0))
    lit = left.lit(pixel, tangent, pupil_mm=pupil)
    # Light is 95 % of the plateau 44 px before the middle of the edge; dots are 39 px apart.
    assert lit[beyond < -90.0].all() and not lit[beyond > 0.0].any()
    plateau = TrueMaps().map("left", "G").at(pixel, tangent, pupil_mm=pupil)
    inside = beyond < -90.0
    found = left.at(pixel, tangent, pupil_mm=pupil)
    assert np.max(np.abs(found / plateau - 1.0)[inside]) < EDGE_ERROR


def test_reach_ends_at_the_vignetting_edge(vignetted):
    channel = two_channels(SIZE)[0]
    corners = lit_border(channel, vignetted.map("left", "G"), pupils_mm=EYE_BOX_CORNERS)
    # Convex, counter-clockwise, on the panel.
    along = np.roll(corners, -1, axis=0) - corners
    turn = along[:, 0] * np.roll(along, -1, axis=0)[:, 1] - along[:, 1] * np.roll(along, -1, axis=0)[:, 0]
    assert turn.min() > -1e-6 and corners.min() >= 0.0 and np.all(corners <= SIZE)
    for pupil in EYE_BOX_CORNERS:
        tangent = channel.forward(corners, pupil_mm=pupil)
        truth = TrueMaps(vignetted=True).map("left", "G").at(corners, tangent, pupil_mm=pupil)
        plateau = TrueMaps().map("left", "G").at(corners, tangent, pupil_mm=pupil)
        assert (truth / plateau).min() > 0.8
    area = 0.5 * np.abs(
        np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - corners[:, 1] * np.roll(corners[:, 0], -1))
    )
    # From the worst pupil half of the light is gone at u = 1360 to 1480 px: some 0.85 of the panel is lit.
    assert 0.78 < area / (SIZE[0] * SIZE[1]) < 0.9


def test_fields_are_drawn_in_to_the_lit_part(vignetted):
    from tests.photometry.bordered import bordered_set

    fields = bordered_set()
    drawn_in = narrowed_fields(fields, vignetted, pupils_mm=EYE_BOX_CORNERS)
    before, after = (build_seam(f, pupils_mm=EYE_BOX_CORNERS) for f in (fields, drawn_in))
    assert after.feather_deg < before.feather_deg - 1.0
    np.testing.assert_array_equal(
        drawn_in.field("right", "G").border_pixel, fields.field("right", "G").border_pixel
    )


@pytest.mark.parametrize("pupil", [[0.0, 0.0, 0.0], [4.0, -3.0, 0.0], [-4.0, 3.0, 2.0]])
def test_the_edge_of_light_follows_the_pupil(vignetted, pupil):
    from tests.photometry.bordered import bordered_set

    lit = lit_fields(bordered_set(), vignetted)
    assert lit.field("right", "G").lit == ()
    (edge,) = lit.field("left", "G").lit
    pixel = np.stack(
        np.meshgrid(np.linspace(30, SIZE[0] - 30, 81), np.linspace(30, SIZE[1] - 30, 21)), axis=-1
    )
    pixel = pixel.reshape(-1, 2)
    tangent = two_channels(SIZE)[0].forward(pixel, pupil_mm=np.array(pupil))
    reference = np.array(pupil)[:2] - pupil[2] * tangent
    # The line along which half of the light is gone, as the truth has it (`tests.photometry.truth`).
    beyond = pixel[:, 0] - (1480.0 - 15.0 * reference[:, 0] - 0.1 * (pixel[:, 1] - 320.0))
    depth = edge.depth_px(pixel, reference)
    assert (depth[beyond < -90.0] > 0.0).all() and (depth[beyond > 0.0] < 0.0).all()
    near = np.abs(beyond + 45.0) < 150.0
    # The distance across a line that leans by a tenth, to the dots' spacing of 39 px.
    assert np.abs(depth + (beyond + 45.0) / np.hypot(1.0, 0.1))[near].max() < 60.0


def test_errors_say_what_is_missing(maps):
    grid = measured_grid(noise=0.0, points=(3, 3), **SINGLE)
    with pytest.raises(FitError, match="no column 'luminance'. Measure relative luminance"):
        fit_luminance(replace(grid, luminance=None), panel_sizes_px=SIZES)
    with pytest.raises(
        FitError, match="channel 'left', G: 225 finite luminances, 0 above zero; expected 30 or more"
    ):
        fit_luminance(replace(grid, luminance=np.zeros(len(grid))), panel_sizes_px=SIZES)
    with pytest.raises(FitError, match="channel 'left', G: 0 finite luminances"):
        fit_luminance(replace(grid, luminance=np.full(len(grid), np.nan)), panel_sizes_px=SIZES)
    with pytest.raises(
        FitError, match="no luminance map for channel 'lef', colour 'G'.* Did you mean 'left/G'"
    ):
        maps.map("lef", "G")
