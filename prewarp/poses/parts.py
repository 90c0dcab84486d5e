"""Samples of a channel and colour as the steps of a search take them: some or all, weighed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import FitError
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.outlying import robust_weight
from prewarp.fitting.polynomial import first_expansions
from prewarp.fitting.residuals import in_pixels, pixel_metric, residuals
from prewarp.poses.columns import FieldColumns
from prewarp.poses.rays import PER_SHOT, Poses, Rays

FIRST_SAMPLES = 6000
# Measured numbers per column of a field, at least.
SAMPLES_PER_COLUMN = 1.5


@dataclass(frozen=True)
class Part:
    """One channel and colour, what turns its cosines into px, and its robust weights."""

    rays: Rays
    metric: FloatArray
    weight: FloatArray

    def weighed(self, rest_px: FloatArray) -> "Part":
        """Return the part with weights for residuals (2, n) px."""
        return replace(self, weight=robust_weight(self.rays.samples, rest_px))

    def whole(self, rays: Rays, field: Expansion, poses: Poses, /) -> "Part":
        """Return all samples of this part's `rays`, weighed by the field that these gave at `poses`."""
        metric = self.metric if self.rays is rays else _metric(rays, rays.base or field)
        rest_px = in_pixels(metric, residuals(rays.at(poses).samples, (field,)))
        return Part(rays, metric, robust_weight(rays.samples, rest_px))


def some_of(rays: Rays, /) -> Part:
    """Return FIRST_SAMPLES samples at most, taken at random, in order: strides would miss whole shots."""
    count = rays.samples.count
    if count > FIRST_SAMPLES:
        keep = np.sort(np.random.default_rng(0).choice(count, FIRST_SAMPLES, replace=False))
        samples = rays.samples.take(keep)
        rays = Rays(samples, rays.unit[keep], rays.label_mm[keep], rays.shot[keep], rays.base)
    slopes = rays.base or first_expansions(replace(rays.samples, pupil=rays.samples.pupil.up_to(2)))[0]
    return Part(rays, _metric(rays, slopes), np.ones(rays.samples.count))


def _metric(rays: Rays, slopes: Expansion) -> FloatArray:
    """Return what turns cosine residuals into squared px, by the slopes of a rough field."""
    relative = np.median(rays.samples.sigma_px) / rays.samples.sigma_px
    return pixel_metric(rays.samples, slopes) * relative**2


def affordable(parts: Sequence[Part], shots: int, pupil_degree: int, highest: int) -> FieldColumns:
    """Return the largest model up to a degree that every channel and colour can bear beside the poses."""
    # Each total degree counts two for a pupil degree: below this, the highest pupil degree has no column.
    least = 2 * pupil_degree
    numbers = 2 * min(part.rays.samples.count for part in parts) - PER_SHOT * shots
    for degree in range(max(highest, least + 2), least - 1, -1):
        model = FieldColumns(degree, pupil_degree + 1)
        if model.columns.count * SAMPLES_PER_COLUMN <= numbers:
            return model
    raise FitError(
        f"{numbers + PER_SHOT * shots} measured numbers in a channel and colour; free poses of {shots} shots "
        f"need {int(model.columns.count * SAMPLES_PER_COLUMN) + PER_SHOT * shots + 1}. Measure more points "
        "a shot, or fit without --poses free."
    )
