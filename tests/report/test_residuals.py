"""The residual picture: right arrows at a printed scale, same bytes, an error where there is nothing to draw."""

import io

import numpy as np
import pytest
from PIL import Image

from prewarp.errors import GridError
from prewarp.field import fit_grid
from prewarp.report.residuals import _nice, residual_picture
from tests.cli.conftest import PANEL, small_channels
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


def test_arrows_follow_the_residuals(fitted):
    fields, grid = fitted
    plain = residual_picture(fields, grid)
    shifted = type(grid)(**{**vars(grid), "pixel": grid.pixel + np.array([5.0, 0.0])})
    moved = residual_picture(fields, shifted)
    # All arrows now point to the left, at another scale: many pixels change.
    difference = np.abs(_array(plain).astype(int) - _array(moved)).max(axis=-1) > 60
    assert 0.005 < difference.mean() < 0.5


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
