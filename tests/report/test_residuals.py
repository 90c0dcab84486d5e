"""Pictures of a fit: right arrows at a printed scale, how sure it is, same bytes, errors."""

import io

import numpy as np
import pytest
from matplotlib.quiver import Quiver, QuiverKey
from PIL import Image

from prewarp.errors import GridError, ShapeError
from prewarp.field import FieldSet, compare_grid, fit_grid, prediction_sigma
from prewarp.report.residuals import _nice, residual_figure, residual_picture
from tests.cli.conftest import PANEL, small_channels
from tests.report.drawn import mesh_points, meshes
from tests.synthetic import make_grid, pupil_lattice


@pytest.fixture(scope="module")
def fitted():
    grid = make_grid(
        noise_px=0.02,
        seed=3,
        points=9,
        pupils=pupil_lattice(3, 3.0),
        channels=small_channels(),
        colours=("G",),
    )
    return fit_grid(grid, panel_size_px=PANEL), grid


def test_same_input_same_bytes_and_no_version_inside(fitted):
    first, second = (residual_picture(*fitted, title="A title") for _ in range(2))
    assert first == second
    assert b"Matplotlib" not in first
    with Image.open(io.BytesIO(first)) as picture:
        assert picture.size == (1520, 690)


def test_arrows_run_from_the_sample_to_the_fit(fitted):
    """Samples that lie 4.8 px too far right and 3.6 px too high (v runs down): the fit is left and below."""
    fields, grid = fitted
    moved = type(grid)(**{**vars(grid), "pixel": grid.pixel + np.array([4.8, -3.6])})
    for axes, channel in zip(residual_figure(fields, moved).axes, ("inner", "outer"), strict=True):
        (arrows,) = [one for one in axes.collections if isinstance(one, Quiver)]
        own = moved.select(channel=channel)
        own = own.take(np.flatnonzero(np.all(own.pupil_mm == 0.0, axis=1)))
        np.testing.assert_array_equal(np.column_stack([arrows.X, arrows.Y]), own.pixel)
        step = np.column_stack([arrows.U, arrows.V])
        np.testing.assert_allclose(np.median(step, axis=0), [-4.8, 3.6], atol=0.02)
        np.testing.assert_allclose(step, compare_grid(fields, own).predicted_px - own.pixel, atol=1e-9)
        # Drawn along the axes of the panel, of which v runs down; 5 px take a fortieth of its width.
        assert arrows.angles == arrows.scale_units == "xy"
        # The whole panel, with room for arrows at its rim.
        rim = 0.08 * max(PANEL)
        np.testing.assert_allclose(axes.get_xlim(), (-rim, PANEL[0] + rim))
        np.testing.assert_allclose(axes.get_ylim(), (PANEL[1] + rim, -rim))
        assert 5.0 / arrows.scale == pytest.approx(0.025 * PANEL[0], rel=1e-9)
        (key,) = [one for one in axes.get_children() if isinstance(one, QuiverKey)]
        assert key.label == "5 px"
        title = axes.get_title()
        assert f"channel '{channel}', G, pupil at (0, 0, 0) mm" in title
        length = np.hypot(*step.T)
        assert title.endswith(f"RMS {np.sqrt(np.mean(length**2)):.3g} px, longest {length.max():.3g} px")


def test_a_fit_draws_its_residuals_or_how_sure_it_is(fitted):
    fields, grid = fitted
    drawn = fields.plot(grid, title="A title")
    assert drawn.get_suptitle() == "A title" and "arrow: from sample to fit" in drawn.axes[0].get_title()
    *row, scale = fields.plot().axes
    assert "px" in scale.get_ylabel()
    for axes, report in zip(row, fields.reports, strict=True):
        places, values = mesh_points(meshes(axes)[0])
        # What the fit says of the same places, for nine pupils over the captured ones.
        (low_x, low_y, _), (high_x, high_y, _) = fields.pupil_box_mm
        pupils = [(x, y, 0.0) for x in np.linspace(low_x, high_x, 3) for y in np.linspace(low_y, high_y, 3)]
        sigma = [prediction_sigma(fields, report.channel, "G", places, pupil_mm=one) for one in pupils]
        rms = np.sqrt(np.mean(np.square(sigma), axis=0))
        np.testing.assert_allclose(values, rms, rtol=1e-9)
        np.testing.assert_allclose([places.min(axis=0), places.max(axis=0)], [(0.0, 0.0), PANEL])
        assert axes.get_ylim() == (PANEL[1], 0.0)
        assert f"largest {rms.max():.2g}\nresidual {report.rms_px[0]:.3g} px RMS" in axes.get_title()
    with pytest.raises(ShapeError, match="reports is empty; expected one or more channels to draw"):
        FieldSet(fields.fields, fields.pupil_box_mm, (), {}).plot()


def test_one_channel_takes_half_the_width(fitted):
    fields, grid = fitted
    assert _array(residual_picture(fields, grid.select(channel="inner"))).shape == (690, 760, 3)


def test_nothing_to_draw_is_an_error(fitted):
    fields, grid = fitted
    hollow = type(grid)(**{**vars(grid), "pixel": np.full_like(grid.pixel, np.nan)})
    with pytest.raises(GridError, match="no finite sample of channel 'inner', colour 'G'"):
        residual_picture(fields, hollow)


@pytest.mark.parametrize(
    ("value", "expected"), [(1.0, 1.0), (0.0499, 0.02), (0.05, 0.05), (37.0, 20.0), (9.99, 5.0)]
)
def test_the_scale_is_a_round_number(value, expected):
    assert _nice(value) == pytest.approx(expected, rel=1e-12)


def _array(data: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture.convert("RGB"))
