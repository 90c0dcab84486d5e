"""How large the terms of each pupil degree of a channel and colour are, estimated from its samples alone.

One least-squares fit of direction cosines by panel times pupil functions. What noise of the dots, and of
shots that are off as a whole, would give a term is taken off its size.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import chebyshev_terms, count_of_degree, exponents_of_degree
from prewarp.checking.outliers import BOUND_SIGMA, Residuals
from prewarp.checking.samples import Samples
from prewarp.checking.surface import RIM
from prewarp.checks import BoolArray, FloatArray, IntArray, all_of_rows
from prewarp.pupils.needed import FEWEST_TERMS, MOST_NODES, left_px
from prewarp.pupils.shown import complete_degree, motions_shown, spread_positions

_HIGHEST_DEGREE = 6  # over the pupil
_TOTAL_DEGREES = (7, 6, 5, 4, 3)  # over panel and pupil: the first that the samples carry
_PANEL_MORE = 2  # terms without pupil go higher by so much: panels have fine structure
_SUBSET = 4000
_PER_TERM = 6
_PLACES_PER_TERM = 3
_POINTS = 600
_SEEN = 2.0  # a degree counts as seen where its mean square is so many times what noise gives it
_FEWEST_OF_A_SHOT = 8  # samples from which a shot says how far it is off as a whole


@dataclass(frozen=True, eq=False)
class PupilTerms:
    """RMS size `size_px` (degrees,) of the terms of each pupil degree, px, up to the last one seen.

    `motions` (m, 2): unit vectors along which the pupil moves in the capture; `shown`: the highest degree of
    which its positions show every function; `enough_dots`: whether the samples carry the panel functions.
    """

    size_px: FloatArray
    motions: FloatArray
    shown: int
    enough_dots: bool

    @property
    def hidden_by_noise(self) -> bool:
        """Whether positions show higher degrees than stand out of noise."""
        return len(self.size_px) <= self.shown

    @property
    def unseen_px(self) -> float:
        """What the positions do not show of the map over the pupil, px, rather too large; 0 where not known.

        One position may lie so far off what the others say, and nothing be wrong with it.
        """
        if len(self.motions) < 2 or len(self.size_px) < FEWEST_TERMS:
            return 0.0
        return float(left_px(self.size_px)[min(self.shown + 1, MOST_NODES)])


def pupil_terms(samples: Samples, residuals: Residuals, good: BoolArray, places: int) -> PupilTerms:
    """Return the sizes of the terms of a channel and colour.

    Parameters
    ----------
    samples : Samples
    residuals : Residuals
        Of the channel and colour from its smooth model.
    good : (n,) bool array
        Samples that nothing is wrong with.
    places : int
        Places on the panel that carry a polynomial.

    Notes
    -----
    Degrees end with the last that stands out of noise; with three where three are shown, the last then as
    large as noise would make it. A shot that is off as a whole moves its dots alike: by how much shots are is
    told from what the means of shots leave beside the fit.
    """
    surface = residuals.scale.surface
    near = residuals.distance < BOUND_SIGMA * max(residuals.sigma, 1e-9)
    index = residuals.index[good[residuals.index] & near]
    index = index[all_of_rows(np.abs(surface.frame(samples.pixel[index])) < RIM)]
    if not len(index):
        return PupilTerms(np.zeros(0), np.zeros((0, 2)), 0, False)
    _, first = np.unique(samples.pupil[index], return_index=True)
    positions = spread_positions(
        samples.pupil_mm[index], np.zeros(len(index), dtype=np.int64), samples.tangent[index], first
    )
    (x, y), (half_x, half_y) = surface.middle_mm.tolist(), surface.half_mm.tolist()
    shown = complete_degree(positions, centre_mm=(x, y), half_mm=(half_x, half_y))
    motions = motions_shown(positions)
    index = np.sort(index[np.random.default_rng(3).permutation(len(index))[:_SUBSET]])
    highest = min(shown, _HIGHEST_DEGREE)
    exponents = _functions(highest, len(index), places)
    if exponents is None or len(motions) < 2:
        return PupilTerms(np.zeros(0), motions, shown, exponents is not None)
    squares, noise = _mean_squares(samples, residuals, index, exponents)
    return PupilTerms(_seen(squares, noise), motions, highest, True)


def _mean_squares(
    samples: Samples, residuals: Residuals, index: IntArray, exponents: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return the mean square of each degree's terms, px^2, and what noise alone would give it."""
    surface = residuals.scale.surface
    reference = (samples.reference_mm[index] - surface.middle_mm) / surface.half_mm
    w = np.concatenate([surface.frame(samples.pixel[index]), reference], axis=1)
    order = exponents[:, 2:].sum(axis=1)
    terms = chebyshev_terms(w, exponents)
    normal = terms.T @ terms
    normal[np.diag_indices_from(normal)] += 1e-12 * np.trace(normal) / len(normal)
    inverse = np.linalg.inv(normal)
    coefficient = inverse @ (terms.T @ samples.cosine[index])
    rest = samples.cosine[index] - terms @ coefficient
    variance = float((rest * rest).sum()) / (2.0 * max(len(index) - len(exponents), 1))
    by_shot, shot_variance = _shots(samples.group[index], terms, rest, count_of_degree(int(order.max())))
    lever = by_shot @ inverse

    some = np.linspace(0, len(index) - 1, min(len(index), _POINTS)).astype(int)
    place = w[some]
    place[:, 2:] = np.random.default_rng(0).uniform(-1.0, 1.0, (len(some), 2))
    values, to_panel = chebyshev_terms(place, exponents), residuals.scale(samples.pixel[index[some]])
    squares, noise = np.zeros(order.max() + 1), np.zeros(order.max() + 1)
    for degree in range(len(squares)):
        own = order == degree
        part = values[:, own]
        moved = np.einsum("nij,nj->ni", to_panel, part @ coefficient[own])
        spread = ((part @ inverse[np.ix_(own, own)]) * part).sum(axis=1) * variance
        spread += ((part @ lever[:, own].T) ** 2).sum(axis=1) * shot_variance
        squares[degree] = np.mean((moved * moved).sum(axis=1))
        noise[degree] = np.mean((to_panel * to_panel).sum(axis=(1, 2)) * spread)
    return squares, noise


def _shots(group: IntArray, terms: FloatArray, rest: FloatArray, functions: int) -> tuple[FloatArray, float]:
    """Return the sums of terms over each shot (g, k), and the variance per axis of shots as wholes.

    `functions` over the pupil follow as many shots; the others show the variance. 0 where none is left.
    """
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    count = np.diff(np.append(starts, len(group)))
    sums = np.add.reduceat(terms[order], starts)
    if len(count) <= functions or np.median(count) < _FEWEST_OF_A_SHOT:
        return sums, 0.0
    means = np.add.reduceat(rest[order], starts) / count[:, None]
    own = float((rest * rest).mean()) / count
    left = float(((means * means).mean(axis=1) - own).sum()) / (len(count) - functions)
    return sums, max(left, 0.0)


def _functions(pupil_degree: int, count: int, places: int) -> IntArray | None:
    """Return exponents (k, 4) of panel and pupil functions that so many samples carry; None for none."""
    for total in _TOTAL_DEGREES:
        exponents = exponents_of_degree(total + _PANEL_MORE, 4)
        pupil = exponents[:, 2:].sum(axis=1)
        kept = (pupil == 0) | ((pupil <= pupil_degree) & (exponents.sum(axis=1) <= total))
        enough = _PER_TERM * int(kept.sum()) <= count
        if enough and _PLACES_PER_TERM * count_of_degree(total + _PANEL_MORE) <= places:
            found: IntArray = exponents[kept]
            return found
    return None


def _seen(squares: FloatArray, noise: FloatArray) -> FloatArray:
    """Return sizes without noise, up to the last degree that stands out of it, three where there are."""
    is_seen = squares > _SEEN * noise
    last = np.flatnonzero(is_seen)
    count = max(int(last[-1]) + 1 if len(last) else 0, min(FEWEST_TERMS, len(squares)))
    size = np.sqrt(np.where(is_seen, squares - noise, np.minimum(squares, noise)))[:count]
    if not is_seen[count - 1]:
        size[-1] = np.sqrt(max(squares[count - 1], noise[count - 1]))
    result: FloatArray = size
    return result
