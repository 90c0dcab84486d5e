"""Noise-free grids of tilted optics from one plane: no right row is blamed, wrong ones are still named."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from prewarp.checking import check_grid
from prewarp.field import fit_grid
from prewarp.grids import read_grid

CALIB = Path(__file__).parents[2] / "calib"
SIZE = (2560, 2560)


@pytest.fixture(scope="module")
def tilted():
    grid = read_grid(CALIB / "folded.grid.npz").select(colour="G")
    return grid.take(grid.pupil_mm[:, 2] == 0.0)


def test_no_row_of_a_noise_free_grid_is_blamed(tilted):
    # The median over a region blamed one row of the inner channel and two of the outer one.
    fields = fit_grid(tilted, panel_size_px=SIZE)
    assert [report.outlier_rows for report in fields.reports] == [(), ()]
    assert [f.line() for f in check_grid(tilted).findings if f.row_count] == []


def test_wrong_rows_among_them_are_named(tilted):
    random = np.random.default_rng(4)
    tilted = tilted.select(channel="outer")
    wrong = random.choice(len(tilted), 40, replace=False)
    angle = random.uniform(0.0, 2.0 * np.pi, 40)
    pixel = tilted.pixel.copy()
    pixel[wrong] += 2.0 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    fields = fit_grid(replace(tilted, pixel=pixel), panel_size_px=SIZE)
    named = {row for report in fields.reports for row in report.outlier_rows}
    assert len(named & set(tilted.row[wrong])) >= 39 and len(named - set(tilted.row[wrong])) == 0
