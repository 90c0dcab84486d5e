"""The samples of one channel and colour from which a luminance map is made."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray, extent
from prewarp.errors import FitError
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.frames import reference_pupil
from prewarp.grids import Grid

MIN_SAMPLES = 30


@dataclass(frozen=True)
class LightSamples:
    """One channel and colour: normalised places (4, n); light, number of the pupil, row of the file, (n,)."""

    panel: ChebyshevPanel
    frame: PupilFrame
    place: FloatArray
    light: FloatArray
    position: IntArray
    row: IntArray

    def basis(self, part: np.ndarray, panel_degree: int, pupil_degree: int) -> FloatArray:
        """Return the products P_i Q_j at some samples, (panel functions * pupil functions, n)."""
        u, v, x, y = self.place[:, part]
        size = np.array(self.panel.size_px)
        pixel = np.stack([(u + 1.0) * size[0] / 2.0, (v + 1.0) * size[1] / 2.0], axis=-1)
        centre, half = np.array(self.frame.centre_mm), np.array(self.frame.half_mm)
        reference = np.stack([x, y], axis=-1) * half + centre
        outer = ChebyshevPanel(self.panel.size_px, panel_degree).values(pixel)
        inner = self.frame.values(reference, pupil_degree)
        return (outer[:, None, :] * inner[None, :, :]).reshape(-1, outer.shape[1])

    def take(self, kept: BoolArray, /) -> "LightSamples":
        """Return the samples where `kept` (n,) is True."""
        return LightSamples(
            self.panel,
            self.frame,
            self.place[:, kept],
            self.light[kept],
            self.position[kept],
            self.row[kept],
        )


def luminance_of(grid: Grid, /) -> FloatArray:
    """Return the column `luminance` (n,); `FitError` where the grid has none."""
    if grid.luminance is None:
        raise FitError(
            f"{grid.source}: the grid has no column 'luminance'. Measure relative luminance with the capture "
            "and add it.",
            path=grid.source,
        )
    return grid.luminance


def samples_of(grid: Grid, channel: str, colour: str, size_px: tuple[int, int]) -> LightSamples:
    """Return the finite samples of a grid of one channel and colour; `FitError` where there are too few."""
    light = luminance_of(grid)
    keep = grid.finite & np.isfinite(light)
    lit = int(np.count_nonzero(keep & (np.nan_to_num(light) > 0.0)))
    if lit < MIN_SAMPLES:
        raise FitError(
            f"{grid.source}: channel '{channel}', {colour}: {int(keep.sum())} finite luminances, {lit} above "
            f"zero; expected {MIN_SAMPLES} or more. Measure more points.",
            channel=channel,
            colour=colour,
        )
    kept = np.flatnonzero(keep)
    grid, light = grid.take(kept), light[kept]
    reference = reference_pupil(grid.tangent, grid.pupil_mm)
    low, high = extent(reference)
    half = np.where(high - low > 1e-6, (high - low) / 2.0, 1.0)
    frame = PupilFrame(tuple(((low + high) / 2.0).tolist()), tuple(half.tolist()))
    panel = ChebyshevPanel(size_px, 0)
    place = np.stack([*panel.normalised(grid.pixel), *frame.normalised(reference)])
    _, position = np.unique(np.round(grid.pupil_mm, 6), axis=0, return_inverse=True)
    return LightSamples(panel, frame, place, light, position.ravel(), np.asarray(grid.row))
