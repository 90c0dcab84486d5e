"""Noise and lack of fit told apart: what dots of one pupil position scatter, and what a model leaves besides.

Noise is what a dot differs from its neighbours by, seen from the same pupil position in the same colour: a
quadric through the neighbours' residuals takes out whatever is smooth over the panel. What all residuals hold
beyond that is lack of fit. It repeats from pupil to pupil at the same place of the panel where the panel
functions are too few (more dots), and does not where those over the pupil are (more pupil positions).
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.fitting.samples import Samples
from prewarp.neighbours import FEWEST_DOTS, local_differences
from prewarp.robust import sigma_of_lengths

# Relative standard deviation of a variance from n such residuals is about this over sqrt(n): they overlap,
# and a median is taken. Measured on noise alone.
SPREAD = 2.5
# Lack of fit is believed beyond so many standard deviations of that, and above what any panel shows, px.
SURE = 4.0
LEAST_PX = 1e-3
# Side of the panel regions in which residuals of one pupil position are averaged, in dots.
REGION_DOTS = 2.5

MORE_PUPILS = "capture more pupil positions"
MORE_DOTS = "capture more dots"


class AnyFit(Protocol):
    """What fits of all families have in common here."""

    @property
    def rest_px(self) -> FloatArray:
        """Residuals (2, n), px."""

    @property
    def weight(self) -> FloatArray:
        """Robust weights (n,)."""

    @property
    def parameters(self) -> int:
        """Numbers estimated."""


@dataclass(frozen=True)
class LackOfFit:
    """Noise and lack of fit per axis, per colour, px; NaN where views have too few dots to tell them apart.

    `is_sure` whether the data show any lack of fit at all; `panel_share` (colours,) how much of its variance
    repeats from pupil to pupil.
    """

    sigma_px: FloatArray
    misfit_px: FloatArray
    is_sure: BoolArray
    panel_share: FloatArray

    @property
    def advice(self) -> str:
        """What to capture: `MORE_PUPILS`, `MORE_DOTS`, or nothing where no lack of fit is shown."""
        if not self.is_sure.any():
            return ""
        worst = int(np.nanargmax(np.where(self.is_sure, self.misfit_px, -1.0)))
        return MORE_DOTS if self.panel_share[worst] > 0.5 else MORE_PUPILS


def lack_of_fit(samples: Samples, fit: AnyFit, /) -> LackOfFit:
    """Tell noise and lack of fit apart, for each colour."""
    good = fit.weight > 0.5
    freedom = max(1.0 - fit.parameters / (2.0 * max(int(good.sum()), 1)), 0.05)
    sigma, misfit, share = (np.full(samples.colours, np.nan) for _ in range(3))
    sure = np.zeros(samples.colours, dtype=bool)
    for colour in range(samples.colours):
        rows = np.flatnonzero(good & (samples.colour == colour))
        local = local_differences(samples.pixel[rows], samples.view[rows], fit.rest_px[:, rows])
        if local.shape[1] < FEWEST_DOTS:
            continue
        noise = sigma_of_lengths(np.hypot(*local)) ** 2
        total = float(np.mean(fit.rest_px[:, rows] ** 2)) / freedom
        smooth, is_smooth = _smooth_misfit(samples, rows, fit, noise, by_view=True)
        common, is_common = _smooth_misfit(samples, rows, fit, noise, by_view=False)
        limit = SURE * SPREAD / np.sqrt(local.shape[1])
        is_rough = total > noise * (1.0 + limit)
        variance = max(smooth, common, total - noise if is_rough else 0.0)
        sigma[colour], misfit[colour] = np.sqrt(noise), np.sqrt(variance)
        sure[colour] = misfit[colour] > LEAST_PX and (is_smooth or is_common or is_rough)
        if sure[colour]:
            share[colour] = min(common / variance, 1.0)
    return LackOfFit(sigma, misfit, sure, share)


def _smooth_misfit(
    samples: Samples, rows: IntArray, fit: AnyFit, noise: float, *, by_view: bool
) -> tuple[float, bool]:
    """Return the variance per axis of what residuals share in regions of the panel, px^2, and whether it is
    sure.

    Regions of each pupil position, or, one dot wide, of all of them together. The mean of n residuals of
    noise has the variance noise / n, and less where the fit followed it: what is found beyond is rather too
    little.
    """
    pixel, view = samples.pixel[rows], samples.view[rows]
    views = max(int(np.count_nonzero(np.bincount(view))), 1)
    span = np.maximum(np.ptp(pixel, axis=0), 1e-9)
    step = (REGION_DOTS if by_view else 1.0) * float(np.sqrt(span[0] * span[1] / max(len(rows) / views, 1.0)))
    place = np.floor((pixel - pixel.min(axis=0)) / step).astype(np.int64)
    key = place[:, 0] * (place[:, 1].max() + 1) + place[:, 1]
    if by_view:
        key = key * (view.max() + 1) + view
    count = np.bincount(key)
    used = count > 0
    count, regions = count[used], int(used.sum())
    sums = np.stack([np.bincount(key, axis)[used] for axis in fit.rest_px[:, rows]])
    between = float(np.sum(sums**2 / count)) / (2.0 * regions)
    return max(between - noise, 0.0) * regions / len(rows), between > noise * (1.0 + SURE / np.sqrt(regions))
