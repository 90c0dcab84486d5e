"""A capture as a camera would give it, made from a traced grid: noise, missing points, outliers, from a fixed
seed.
"""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import IntArray
from prewarp.grids import Grid

SEED = 20240611
NOISE_PX = 0.05
MISSING_SHARE = 0.01
OUTLIER_SHARE = 0.003
OUTLIER_PX = (5.0, 20.0)


@dataclass(frozen=True)
class Capture:
    """`grid`: what was captured; `truth`: the same rows without noise and outliers; `outlier_rows`: row
    numbers spoilt.
    """

    grid: Grid
    truth: Grid
    outlier_rows: IntArray


def capture_of(traced: Grid, /, *, seed: int = SEED) -> Capture:
    """Return a noisy capture of a traced grid.

    `MISSING_SHARE` of the rows is left out; the panel points of the others get Gaussian noise of `NOISE_PX`
    per axis, and `OUTLIER_SHARE` of them is moved by `OUTLIER_PX` in any direction, evenly spread.
    """
    random = np.random.default_rng(seed)
    truth = traced.take(np.flatnonzero(random.random(len(traced)) >= MISSING_SHARE))
    pixel = truth.pixel + random.normal(0.0, NOISE_PX, truth.pixel.shape)
    spoilt = np.flatnonzero(random.random(len(truth)) < OUTLIER_SHARE)
    length = random.uniform(*OUTLIER_PX, len(spoilt))
    angle = random.uniform(0.0, 2.0 * np.pi, len(spoilt))
    pixel[spoilt] += length[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return Capture(replace(truth, pixel=pixel), truth, truth.row[spoilt])
