"""Edges of light: the borders between rays that are lit and rays that are dark, fitted to samples of both.

Light passes a lens where no rim and no edge stops it. So a ray is lit where each of some polynomials is above
zero; taken to stop light independently of each other, the chance of light is the product of their logistic
functions. One polynomial may be enough for all edges; where they meet in sharp corners, two of low degree say
more than one of high degree.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from prewarp.chebyshev import exponents_of_degree
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.field.lit import LitRegion
from prewarp.field.rays import CHUNK, RayFunctions, Rays
from prewarp.fitting.pupil import PupilFrame

# What is tried, fewest numbers first: total degrees, and how many polynomials of it.
_ONE_EDGE = ((2, 1), (4, 1), (6, 1))
_EDGES = ((2, 1), (2, 2), (4, 1), (6, 1))
# By so much more numbers must lower the score: below it both say as much (Burnham and Anderson, Model
# Selection and Multimodel Inference, 2002, section 2.6).
_CLEARLY = 10.0
# Highest degree in the pupil.
PUPIL_DEGREE = 2
# Several edges may settle in several ways: tried from so many turns of the sectors that they begin with.
_TURNS = 4
_MOST_STEPS = 60
_HALVINGS = 12
# Scoring stops where a step gains less than this share of what is left.
_GAIN = 1e-4


@dataclass(frozen=True)
class _Evidence:
    """Rays at `place` (n, 4), which of them are lit (n,), and how many each stands for (n,), or one."""

    place: FloatArray
    lit: BoolArray
    weight: FloatArray | None

    def rays(self, exponents: IntArray) -> Rays:
        return Rays(RayFunctions(self.place, exponents), self.lit, self.weight)

    def without(self, left_out: IntArray) -> "_Evidence":
        """Return the evidence without some of the rays."""
        used = np.ones(len(self.lit), dtype=bool)
        used[left_out] = False
        weight = None if self.weight is None else self.weight[used]
        return _Evidence(self.place[used], self.lit[used], weight)


def fit_lit_region(
    place: FloatArray,
    lit: BoolArray,
    /,
    *,
    panel_size_px: tuple[int, int],
    frame: PupilFrame,
    spacing_px: float,
    pupil_degree: int = PUPIL_DEGREE,
) -> LitRegion:
    """Fit the border between rays that are lit and rays that are dark by one polynomial.

    Arguments and notes as of `fit_lit_regions`.
    """
    exponents, (coefficients,) = _best(_Evidence(place, lit, None), _ONE_EDGE, pupil_degree)
    return LitRegion(panel_size_px, frame, exponents, coefficients, spacing_px)


def fit_lit_regions(
    place: FloatArray,
    lit: BoolArray,
    /,
    *,
    panel_size_px: tuple[int, int],
    frame: PupilFrame,
    spacing_px: float,
    pupil_degree: int = PUPIL_DEGREE,
    start: Sequence[LitRegion] = (),
    weight: FloatArray | None = None,
) -> tuple[LitRegion, ...]:
    """Fit what is lit as the part that some regions share.

    Parameters
    ----------
    place : (n, 4) float array
        u, v, x0, y0 of the rays, normalised as `prewarp.field.lit.ray_place` does.
    lit : (n,) bool array
        Which are lit; both kinds are needed.
    panel_size_px, frame, spacing_px
        See `LitRegion`.
    pupil_degree : int
        Highest degree in the pupil that the captured positions show, at most `PUPIL_DEGREE`.
    start : sequence of LitRegion
        Regions of another colour of this channel: their number and degree are taken, and their coefficients
        to begin with.
    weight : (n,) float array
        How many rays each stands for; one where left out.

    Notes
    -----
    Of several degrees and numbers a larger one is taken where it lowers 2 (parameters - log likelihood) by
    more than 10 (Akaike, IEEE Trans. Autom. Control 19, 1974). Fisher's scoring with step halving, which for
    one region is Newton's method (D. R. Cox, J. R. Stat. Soc. B 20, 1958, for the likelihood).
    """
    evidence = _Evidence(place, lit, weight)
    if start:
        exponents = start[0].exponents
        began = np.stack([one.coefficients for one in start])
        several, _ = most_likely_edges(evidence.rays(exponents), began)
    else:
        exponents, several = _best(evidence, _EDGES, pupil_degree)
    return tuple(LitRegion(panel_size_px, frame, exponents, one, spacing_px) for one in several)


def have_border(regions: Sequence[LitRegion], place: FloatArray, /) -> bool:
    """Return whether regions call any of the rays at places (n, 4) dark: of gaps by chance they do not."""
    return any(_has_border(one.coefficients[None], place, one.exponents) for one in regions)


def _best(
    evidence: _Evidence, forms: Sequence[tuple[int, int]], pupil_degree: int
) -> tuple[IntArray, FloatArray]:
    """Return exponents (k, 4) and coefficients (edges, k) of the form that says most with fewest numbers."""
    tried: dict[tuple[int, int], tuple[FloatArray, float]] = {}

    def fitted(degree: int, edges: int) -> tuple[FloatArray, float]:
        if (degree, edges) not in tried:
            exponents = _exponents(degree, pupil_degree)
            tried[degree, edges] = (
                _several(evidence, exponents, edges)
                if edges > 1
                else most_likely_edges(evidence.rays(exponents), np.zeros((1, len(exponents))))
            )
        return tried[degree, edges]

    best: tuple[float, IntArray, FloatArray] | None = None
    for degree, edges in forms:
        exponents = _exponents(degree, pupil_degree)
        numbers = edges * len(exponents)
        # No better likelihood than certainty makes up for this many more parameters.
        if best is not None and 2.0 * numbers >= best[0] - _CLEARLY:
            break
        # Several edges share a polynomial of as high a degree as all of theirs: where that finds no border,
        # there is none for them.
        if edges > 1 and not any(
            _has_border(fitted(one, 1)[0], evidence.place, _exponents(one, pupil_degree))
            for one in (degree, degree * edges)
        ):
            continue
        found, cost = fitted(degree, edges)
        score = 2.0 * (numbers + cost)
        if best is None or score < best[0] - _CLEARLY:
            best = score, exponents, found
    assert best is not None  # there are forms to try
    return best[1], best[2]


def _has_border(coefficients: FloatArray, place: FloatArray, exponents: IntArray) -> bool:
    """Return whether edges (edges, k) call any of the rays at places (n, 4) dark."""
    return any(
        bool(np.any(coefficients @ RayFunctions(place[low : low + CHUNK], exponents)(slice(None)) <= 0.0))
        for low in range(0, len(place), CHUNK)
    )


def _exponents(degree: int, pupil_degree: int) -> IntArray:
    every = exponents_of_degree(degree, 4)
    return np.asarray(every[every[:, 2:].sum(axis=1) <= pupil_degree])


def _several(evidence: _Evidence, exponents: IntArray, edges: int) -> tuple[FloatArray, float]:
    """Return coefficients (edges, k) and cost: each edge begins with a sector of what is dark."""
    trials = (_from_sectors(evidence, exponents, edges, turn) for turn in range(_TURNS))
    return min(trials, key=lambda one: one[1])


def _from_sectors(
    evidence: _Evidence, exponents: IntArray, edges: int, turn: int
) -> tuple[FloatArray, float]:
    """Return coefficients and cost from sectors about the middle of what is lit, turned by some quarters."""
    place, lit = evidence.place, evidence.lit
    dark = np.flatnonzero(~lit)
    away = place[dark, :2] - place[lit, :2].mean(axis=0)
    around = np.empty(len(dark))
    around[np.argsort(np.arctan2(away[:, 1], away[:, 0]), kind="stable")] = np.arange(len(dark)) / len(dark)
    sector = np.floor(edges * around + turn / _TURNS).astype(int) % edges
    start = []
    for edge in range(edges):
        own = evidence.without(dark[sector != edge])
        alone, _ = most_likely_edges(own.rays(exponents), np.zeros((1, len(exponents))))
        start.append(alone[0])
    return most_likely_edges(evidence.rays(exponents), np.stack(start))


def most_likely_edges(rays: Rays, start: FloatArray, /) -> tuple[FloatArray, float]:
    """Return the coefficients of the edges that most likely leave rays lit as they are.

    Parameters
    ----------
    rays : Rays
        With the k functions of each.
    start : (edges, k) float array
        Coefficients to begin with.

    Returns
    -------
    (edges, k) float array, float
        Coefficients; minus the logarithm of their likelihood, with half of `RIDGE` times their squares.
    """
    coefficients = start
    cost, slope, curvature = rays.derivatives(coefficients)
    for _ in range(_MOST_STEPS):
        step = cho_solve(cho_factor(curvature), slope.ravel()).reshape(coefficients.shape)
        # Mostly the whole step is good, and what the next one needs is there with its cost.
        lower, slope, curvature = rays.derivatives(coefficients + step)
        if not lower < cost:
            for _ in range(_HALVINGS - 1):
                step = 0.5 * step
                lower = rays.cost(coefficients + step)
                if lower < cost:
                    break
            else:
                break
            _, slope, curvature = rays.derivatives(coefficients + step)
        gained, coefficients, cost = cost - lower, coefficients + step, lower
        if gained < _GAIN * cost:
            break
    return coefficients, cost
