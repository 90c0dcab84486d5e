"""Seam pairs from a capture: dots of two channels that one photograph position sees close together."""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.frames import arcmin_step
from prewarp.grids import Grid
from prewarp.neighbours import nearest_rows
from prewarp.registration.pairs import SeamPairs

# Pairs further apart lie across the fields' bend from each other.
FARTHEST_ARCMIN = 60.0


def pairs_of_capture(grid: Grid, channels: tuple[str, str], colour: str, /) -> SeamPairs:
    """Return pairs of dots of two channels, each of the first with the nearest of the second.

    Directions of one pupil position are compared: what they are apart is the measured step.

    Parameters
    ----------
    grid : Grid
        With pupils and directions as they truly are: moved to the poses found.
    channels, colour : (str, str), str
        Whose dots.
    """
    first, second = (_rows(grid, name, colour) for name in channels)
    picked: list[tuple[int, int]] = []
    for pupil in np.unique(grid.pupil_mm[first], axis=0):
        own, other = (rows[np.all(grid.pupil_mm[rows] == pupil, axis=1)] for rows in (first, second))
        if len(own) and len(other):
            near = nearest_rows(grid.tangent[other], grid.tangent[own])
            picked += zip(own.tolist(), other[near].tolist(), strict=True)
    a, b = np.array(picked, dtype=np.int64).reshape(-1, 2).T
    step = arcmin_step(grid.tangent[a], grid.tangent[b])
    fine = np.hypot(step[:, 0], step[:, 1]) <= FARTHEST_ARCMIN
    a, b, step = a[fine], b[fine], step[fine]
    return SeamPairs(
        channel_a=np.full(len(a), channels[0]),
        channel_b=np.full(len(a), channels[1]),
        colour=np.full(len(a), colour),
        pupil_mm=grid.pupil_mm[a],
        pixel_a=grid.pixel[a],
        pixel_b=grid.pixel[b],
        step_arcmin=step,
        sigma_arcmin=_sigma(grid, a, b),
        row=grid.row[a],
        source=grid.source,
        sha256=grid.sha256,
    )


def _rows(grid: Grid, channel: str, colour: str) -> np.ndarray:
    return np.flatnonzero(grid.finite & grid.rows_of(channel, colour))


def _sigma(grid: Grid, a: np.ndarray, b: np.ndarray) -> FloatArray:
    """Return relative uncertainties of steps: a panel px is about an arcmin on all displays of this kind."""
    if grid.sigma_px is None:
        return np.ones(len(a))
    sigma: FloatArray = np.hypot(grid.sigma_px[a], grid.sigma_px[b])
    return sigma
