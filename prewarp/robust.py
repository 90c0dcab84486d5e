"""Scale and weights that a minority of wrong samples does not move: for checks, fits, registration, light.

Residuals of directions are two-component vectors; sigma is that of one component. A length is then Rayleigh
distributed.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray

# Median and 95th percentile of the length of a 2D normal vector of unit sigma: sqrt(2 ln 2), sqrt(2 ln 20).
RAYLEIGH_MEDIAN = 1.1774100225154747
RAYLEIGH_P95 = 2.447746830680816
# Sigma of a normal variable over its median absolute deviation (P. J. Rousseeuw, C. Croux, J. Am. Stat.
# Assoc. 88 (1993) 1273, from memory).
_NORMAL_DEVIATION = 1.4826
# Weight 1 up to FULL sigmas, falling to 0 at ZERO sigmas (a three-part redescending weight). A good point
# lies beyond FULL with probability exp(-FULL^2 / 2) = 3e-4 and beyond OUTLIER with 4e-6.
FULL, OUTLIER, ZERO = 4.0, 5.0, 6.0
# 95 % efficiency for normal noise (Holland and Welsch 1977; common practice).
_BISQUARE = 4.685
_HUBER = 1.345
_ROUNDS = 6
# Keys of which the largest would make a table so many times as large as the values are sorted another way.
_MOST_PADDING = 4
# Sums over all rows are not made again where fewer than one row in so many has another weight than one.
_FEW_LIGHT = 8
# Nor where what is taken off is so much larger than what stays that rounding would show.
_MUCH_LARGER = 100.0


def sigma_of_lengths(length: FloatArray, /) -> float:
    """Return sigma per component from the median of the lengths (n,) of two-component residuals."""
    return float(np.median(length)) / RAYLEIGH_MEDIAN


def sigma_with_tails(length: FloatArray, /) -> float:
    """Return sigma per component from lengths (n,): the larger of what median and 95th percentile say.

    The second keeps the scale honest where the residual is a smooth misfit with long tails rather than noise;
    it stands up to just under 5 % of outliers. 0 without residuals.
    """
    if length.size == 0:
        return 0.0
    return max(sigma_of_lengths(length), float(np.quantile(length, 0.95)) / RAYLEIGH_P95)


def sigma_of_deviations(deviation: FloatArray, /) -> float:
    """Return sigma of a single component from its deviations (n,): 1.4826 times the median of their sizes."""
    return _NORMAL_DEVIATION * float(np.median(np.abs(deviation)))


def redescending_weight(length: FloatArray, sigma: FloatArray | float, /) -> FloatArray:
    """Return weights (n,) for residual lengths: 1 below FULL sigma, cosine descent, 0 beyond ZERO sigma."""
    ratio = length / np.maximum(sigma, 1e-300)
    part = np.clip((ratio - FULL) / (ZERO - FULL), 0.0, 1.0)
    return 0.5 + 0.5 * np.cos(np.pi * part)


def huber_weight(ratio: FloatArray, /) -> FloatArray:
    """Return weights (n,) for residuals as multiples of the length where the weight begins to fall."""
    return 1.0 / np.maximum(ratio, 1.0)


def bisquare_weight(ratio: FloatArray, /) -> FloatArray:
    """Return weights (n,) for residuals as multiples of the length from which the weight is 0."""
    return np.where(ratio < 1.0, (1.0 - ratio * ratio) ** 2, 0.0)


def is_outlier(length: FloatArray, sigma: FloatArray | float, /, *, least: float) -> BoolArray:
    """Return which residuals lie beyond OUTLIER sigma and are longer than `least`."""
    return (length > OUTLIER * np.asarray(sigma)) & (length > least)


def medians_by(key: IntArray, values: FloatArray, /) -> FloatArray:
    """Return the median of `values` (n,) for each key; the entry of a key that does not occur is void."""
    ranked, start, count = ranked_by(key, values)
    result: FloatArray = (
        ranked[start + (count - 1) // 2] + ranked[np.minimum(start + count // 2, len(ranked) - 1)]
    ) / 2.0
    return result


def ranked_by(key: IntArray, values: FloatArray, /) -> tuple[FloatArray, IntArray, IntArray]:
    """Return values (n,) sorted by key and then by size, where each key starts among them, and its count.

    Keys with about as many values each are sorted as the rows of one table, many times quicker than all in
    one.
    """
    count = np.bincount(key)
    start = np.cumsum(count) - count
    most = int(count.max(initial=0))
    if len(count) * most > _MOST_PADDING * len(key) or len(count) > np.iinfo(np.uint16).max:
        return values[np.lexsort((values, key))], start, count
    # Numbers of 16 bits are sorted by counting them.
    by_key = values[np.argsort(key.astype(np.uint16), kind="stable")]
    there = np.arange(most) < count[:, None]
    table = np.full(there.shape, np.nan)  # sorts last
    table[there] = by_key
    table.sort(axis=1)
    return table[there], start, count


@dataclass(frozen=True, eq=False)
class RobustFit:
    """`coefficient` (k, m), `residual` (n, m), `scale` per component, `normal` matrix (k, k)."""

    coefficient: FloatArray
    residual: FloatArray
    scale: float
    normal: FloatArray

    @cached_property
    def covariance(self) -> FloatArray:
        """The covariance (k, k) of coefficients under unit noise."""
        return np.asarray(np.linalg.pinv(self.normal, hermitian=True), dtype=np.float64)


def robust_fit(
    design: FloatArray, values: FloatArray, *, tolerance: float = 0.0, reject: bool = True
) -> RobustFit:
    """Fit values (n, m) by design (n, k) so that a minority of wrong rows does not matter.

    Starts from least squares; a tiny ridge keeps rank-deficient designs solvable. Scale from the median
    residual length, taken for two components (m = 2) and, for other m, as the median over all components.
    Residuals that belong to a scale of `tolerance` lose little weight: what the design cannot follow is not a
    wrong row. `reject` takes bisquare weights, which drop wrong rows altogether; otherwise Huber weights,
    which only bound them and so cannot talk themselves into dropping good rows at the rim of a rich design.
    """
    previous = np.inf
    weight = np.ones(len(design))
    sums = _Sums(design, values)
    for _ in range(_ROUNDS):
        normal, right = sums.weighted(weight)
        normal[np.diag_indices_from(normal)] += 1e-12 * max(np.trace(normal) / len(normal), 1e-300)
        coefficient = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
        residual = values - design @ coefficient
        squared = residual * residual
        length = np.sqrt(sum(squared.T) * (2.0 / residual.shape[1]))
        scale = sigma_of_lengths(length)
        # Rounding sets a floor, or exact data would throw good rows out.
        scale = max(scale, 1e-13 * float(np.abs(values).max(initial=1e-300)))
        if abs(previous - scale) < 0.01 * scale:
            break
        previous = scale
        ratio = length / ((_BISQUARE if reject else _HUBER) * max(scale, tolerance) * np.sqrt(2.0))
        weight = bisquare_weight(ratio) if reject else huber_weight(ratio)
        if weight.sum() < 1.2 * design.shape[1]:
            break
    return RobustFit(coefficient, residual, scale, normal)


class _Sums:
    """Normal matrix (k, k) and right side (k, m) of rows with weights, several times of the same rows."""

    def __init__(self, design: FloatArray, values: FloatArray) -> None:
        self._rows = design, values
        self._plain = design.T @ design, design.T @ values

    @cached_property
    def _sizes(self) -> list[FloatArray]:
        """The largest number of each row, (n,), of both."""
        return [np.abs(one).max(axis=1) for one in self._rows]

    def weighted(self, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return both for a `weight` (n,) of each row: of all rows, less what few of them lack."""
        design, values = self._rows
        light = weight != 1.0
        if not light.any():
            return self._plain[0].copy(), self._plain[1]
        if _FEW_LIGHT * np.count_nonzero(light) < len(design) and all(
            size[light].max() <= _MUCH_LARGER * size[~light].max() for size in self._sizes
        ):
            own = design[light]
            lacks = (1.0 - weight[light])[:, None] * own
            return self._plain[0] - own.T @ lacks, self._plain[1] - lacks.T @ values[light]
        root = np.sqrt(weight)[:, None]
        weighted = design * root
        return weighted.T @ weighted, weighted.T @ (values * root)
