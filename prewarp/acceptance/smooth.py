"""The length that 95 % of steps stay under over panel and eye box, the capture's noise taken out, and how
sure it is.

Steps are a smooth part and the rest. The smooth part is a polynomial of the panel times one of the pupil in
the plane z = 0 (design page, section 3). Its coefficients have a normal prior, whose variance is a size per
degree over the pupil times one per degree over the panel, the latter apart for what changes with the pupil:
what does not is a shift most of all. Both follow from the steps themselves (empirical Bayes: D. J. C.
MacKay, Neural Computation 4 (1992) 415, from memory). A second degree over the pupil that positions hardly
show is taken to be an eighth of the first in variance. So what lies between positions and beyond them is as
sure as the degrees that are seen allow, and positions on a lattice are not taken for positions drawn by lot.
Of the rest so much is rough error of the unit and its tables as its scatter exceeds the noise.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError, cKDTree
from scipy.special import eval_legendre
from scipy.stats import qmc

from prewarp.acceptance.lengths import length, lengths_by_shot, sigma_of_mean
from prewarp.chebyshev import count_of_degree, exponents_of_degree, values_2d
from prewarp.checks import BoolArray, FloatArray, IntArray, extent
from prewarp.frames import reference_pupil
from prewarp.robust import RAYLEIGH_P95, robust_fit

# Highest degree over the panel of what does not change with the pupil; by how much less for each degree over
# the pupil; rows of a shot that each function of the panel needs.
_DEGREE, _LESS, _ROWS_PER_NUMBER = 8, (0, 3, 5), 3
_MOST_ROWS, _ROUNDS = 40_000, 40
# So many numbers' worth of belief has the size of a degree as those before it tell.
_BELIEF = 4.0
# Variance of the second degree over the pupil over that of the first, as published lenses have it where the
# eye is turned and moved (0.06 and 0.12 of two of `tests.long.accept_optics`; the others were not asked).
_PUPIL_FALL = 0.125
# Where figures are read off: places of the panel, pupils over the eye box; draws of the posterior.
_PLACES, _PUPILS, _DRAWS, _SEED = 256, 32, 64, 11
_SIZES, _LEAST, _QUARTERS = 400, 1e-9, 4
# Of so many draws steps are told.
_STEPS = 8
# Relative standard deviation of the variance that a 95 % length tells, times the root of its rows (Rayleigh).
_SCATTER = 1.45
# Power of its size by which the chance of a rough part falls: 0 for all sizes alike, 1 for all orders alike.
_FALL = 0.75


@dataclass(frozen=True)
class Told:
    """A length that 95 % stay under: `value`, and standard uncertainties by source: what lies between
    `positions` and beyond them (None: a single shot does not tell), where the panel's `rim` is, at which
    points it is `read_off`, and how unsure the `noise` that was taken out is. `per_rough`: how much the value
    grows with the rough part, 0 to 1.
    """

    value: float
    positions: float | None
    rim: float
    read_off: float
    noise: float
    per_rough: float

    @property
    def sigma(self) -> float:
        """All of them, of those that are known."""
        return float(np.linalg.norm([self.positions or 0.0, self.rim, self.read_off, self.noise]))


class Smooth:
    """Steps (n, 2) over places (n, 2), directions (n, 2), pupils (n, 3) and shots (n,), in an eye box (2, 3):
    told apart once, for any noise.

    `asked`: places (m, 2) that are directions, and pupils (p, 3), where lengths are read off; without it all
    that rows show and all of the eye box, which leaves open where the rim is.
    """

    def __init__(
        self,
        step: FloatArray,
        place: FloatArray,
        tangent: FloatArray,
        pupil_mm: FloatArray,
        shot: IntArray,
        box_mm: FloatArray,
        /,
        *,
        asked: tuple[FloatArray, FloatArray] | None = None,
    ) -> None:
        self.raw, self.shot = length(step), shot
        degree, rows = _DEGREE, float(np.median(np.bincount(shot)[np.unique(shot)]))
        while degree and count_of_degree(degree) * _ROWS_PER_NUMBER > rows:
            degree -= 1
        basis = _Basis(extent(place), box_mm, degree)
        design = basis.columns(place, reference_pupil(tangent, pupil_mm))
        thin = slice(None, None, max(len(step) // _MOST_ROWS, 1))
        kept = _belongs(design[thin][:, basis.pupil_of < 2], step[thin])
        mean, covariance, decided = _posterior(design[thin][kept], step[thin][kept], basis)
        self.rest = step - design @ mean
        # Per axis; by the length that 95 % stay under, as it is used.
        left = max(1.0 - decided / max(int(np.count_nonzero(kept)), 1), 0.1)
        self.scatter = length(self.rest) / RAYLEIGH_P95 / np.sqrt(left)
        random = np.random.default_rng(_SEED)
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        drawn = mean + root @ random.standard_normal((_DRAWS, len(mean), 2))
        if asked is None:
            self._pupils = _PUPILS
            there, reference, self._within = _everywhere(place, tangent, box_mm, rows)
        else:
            self._pupils = len(asked[1])
            there, reference = _pairs(asked[0], *asked)
            self._within = np.ones((4, len(there)), dtype=bool)
        # (points, 2, draws).
        self._drawn = np.moveaxis(basis.columns(there, reference) @ drawn, 0, -1)
        self._rough = random.standard_normal(self._drawn.shape)

    def drawn(
        self, sigma: float, unsure: float = 0.0, /, *, more: float = 0.0, side: int | None = None
    ) -> FloatArray:
        """Return the length that 95 % stay under, (draws,), of what the unit may be.

        Noise of `sigma` per axis is taken out, whose variance is known to a share `unsure`, 1-sigma; the
        rough part is larger by the share `more`. `side`: without a dot spacing at one of the four sides.
        """
        rough = (1.0 + more) * self._roughness(sigma, unsure)
        used = slice(None) if side is None else self._within[side]
        square = np.sum((self._drawn[used] + rough * self._rough[used]) ** 2, axis=1)
        return np.asarray(np.quantile(square, 0.95, axis=0) ** 0.5)

    def steps(self, sigma: float, unsure: float = 0.0, /) -> FloatArray:
        """Return steps (n, 2) of what the unit may be, where lengths are read off; arguments as `drawn`."""
        rough = self._roughness(sigma, unsure)
        some = slice(None, None, _DRAWS // _STEPS)
        every = self._drawn[..., some] + rough[some] * self._rough[..., some]
        return np.asarray(np.moveaxis(every, 1, -1).reshape(-1, 2))

    def told(self, sigma: float, unsure: float = 0.0, /) -> "Told":
        """Return the length that 95 % stay under and how sure it is; arguments as `drawn`."""
        drawn = self.drawn(sigma, unsure)
        positions = float(self.drawn(sigma).std(ddof=1))
        share = self.per_rough(sigma, unsure)
        rough = sigma_of_mean(lengths_by_shot(self.rest, self.shot), len(np.unique(self.shot)))
        return Told(
            float(drawn.mean()),
            None if rough is None else float(np.hypot(positions, share * rough)),
            self.rim(sigma),
            self._read_off(),
            # Positions and noise alike, then with the noise itself unsure.
            float(np.sqrt(max(drawn.var(ddof=1) - positions**2, 0.0))),
            share,
        )

    def rim(self, sigma: float, /) -> float:
        """Return how unsure the length is since the panel ends somewhere up to a dot spacing beyond the
        outermost dots of each side (even laws, JCGM 100, 4.3.7, about one of their ends); as much as that
        spacing changes inside.
        """
        if self._within.all():
            return 0.0
        whole = float(np.mean(self.drawn(sigma)))
        if not self._within.any(axis=1).all():
            return whole
        off = [float(np.mean(self.drawn(sigma, side=side))) - whole for side in range(len(self._within))]
        return float(np.linalg.norm(off)) / float(np.sqrt(3.0))

    def _read_off(self) -> float:
        """Return how unsure the length is since it is read off at so many points: the first quarter of the
        places, the second and so on tell it four times, and so of the pupils.
        """
        square = np.sum(np.mean(self._drawn, axis=2) ** 2, axis=1).reshape(-1, self._pupils)
        found = 0.0
        for points in (square, square.T):
            parts = [np.quantile(part, 0.95) ** 0.5 for part in np.array_split(points, _QUARTERS)]
            found += float(np.var(parts, ddof=1)) / _QUARTERS
        return float(np.sqrt(found))

    def per_rough(self, sigma: float, unsure: float = 0.0, /) -> float:
        """Return how much the length grows with that of the rough part alone, 0 to 1."""
        rough = RAYLEIGH_P95 * float(np.mean(self._roughness(sigma, unsure)))
        if not rough > _LEAST:
            return 0.0
        grown = np.mean(self.drawn(sigma, unsure, more=0.1) - self.drawn(sigma, unsure))
        return float(np.clip(grown / (0.1 * rough), 0.0, 1.0))

    def _roughness(self, sigma: float, unsure: float) -> FloatArray:
        """Return the rough part per axis (draws,), as scatter and noise leave it likely.

        Where noise hides it, taking all sizes for alike beforehand would tell too much of it (1.8 of its own
        sigma), and all orders of size too little: `_FALL` lies between.
        """
        if not sigma > 0.0:
            return np.full(_DRAWS, self.scatter)
        spread = sigma**2 * float(np.hypot(unsure, _SCATTER / np.sqrt(len(self.rest))))
        middle = self.scatter**2 - sigma**2
        sizes = np.sqrt(max(middle, 0.0) + 5.0 * spread) * (np.arange(_SIZES) + 0.5) / _SIZES
        off = ((sizes**2 - middle) / spread) ** 2
        chance = np.cumsum(np.exp(-0.5 * (off - off.min())) / sizes**_FALL)
        wanted = (np.random.default_rng(_SEED).permutation(_DRAWS) + 0.5) / _DRAWS
        return np.asarray(sizes[np.searchsorted(chance, wanted * chance[-1])])


class _Basis:
    """Functions of panel and pupil: their degrees over the one, `panel_of`, and the other, `pupil_of`."""

    def __init__(self, reach: FloatArray, box_mm: FloatArray, degree: int) -> None:
        self.degrees = [max(degree - less, 0) for less in _LESS]
        self.low, self.high = reach
        self.middle, half = box_mm.mean(axis=0)[:2], 0.5 * np.diff(box_mm, axis=0)[0, :2]
        self.half = np.where(half > 0.0, half, 1.0)
        of_panel = [np.array([sum(one) for one in exponents_of_degree(each)]) for each in self.degrees]
        self.panel_of = np.concatenate([of_panel[k] for k in range(len(_LESS)) for _ in range(k + 1)])
        self.pupil_of = np.concatenate(
            [np.full(len(of_panel[k]), k) for k in range(len(_LESS)) for _ in range(k + 1)]
        )

    def columns(self, place: FloatArray, reference: FloatArray) -> FloatArray:
        """Return their values (n, functions) at places (n, 2) for pupils (n, 2) in the plane z = 0."""
        s, t = ((2.0 * place - self.low - self.high) / np.maximum(self.high - self.low, 1e-12)).T
        x, y = ((reference - self.middle) / self.half).T
        # Orthogonal over the eye box, of unit mean square: what is not seen moves no mean.
        along = [np.sqrt(2.0 * k + 1.0) * eval_legendre(k, np.stack([x, y])) for k in range(len(_LESS))]
        pupil = [[along[k - n][0] * along[n][1] for n in range(k + 1)] for k in range(len(_LESS))]
        panel = values_2d(s, t, self.degrees[0])
        parts = [
            one * panel[: count_of_degree(self.degrees[k])] for k, group in enumerate(pupil) for one in group
        ]
        return np.concatenate(parts).T


def _everywhere(
    place: FloatArray, tangent: FloatArray, box_mm: FloatArray, rows: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return places (m, 2) spread evenly over what rows show, pupils (m, 2) in the plane z = 0 of such spread
    evenly over the eye box, and which places (4, m) lie a dot spacing, of `rows` dots a shot, inside the
    left, the right, the top and the bottom of what rows show.
    """
    low, high = extent(place)
    even = low + (high - low) * qmc.Halton(2, scramble=False).random(2 * _PLACES)
    try:
        hull = ConvexHull(place)
        inside = np.all(even @ hull.equations[:, :2].T + hull.equations[:, 2] <= 0.0, axis=1)
        even, spacing = even[inside][:_PLACES], float(np.sqrt(hull.volume / rows))
    except QhullError:
        even, spacing = place[np.linspace(0, len(place) - 1, _PLACES).astype(int)], 0.0
    within = np.concatenate([(even >= low + spacing).T, (even <= high - spacing).T])
    seen = tangent[cKDTree(place).query(even)[1]]
    pupils = box_mm[0] + (box_mm[1] - box_mm[0]) * qmc.Halton(3, scramble=False).random(_PUPILS)
    return *_pairs(even, seen, pupils), np.repeat(within, _PUPILS, axis=1)


def _pairs(place: FloatArray, tangent: FloatArray, pupils: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return every place (m, 2), where the directions (m, 2) are seen, with every pupil (p, 3): places
    (m p, 2), and pupils (m p, 2) in the plane z = 0.
    """
    shape = (len(place), len(pupils))
    there, seen = (np.broadcast_to(one[:, None], (*shape, 2)).reshape(-1, 2) for one in (place, tangent))
    return there, reference_pupil(seen, np.broadcast_to(pupils, (*shape, 3)).reshape(-1, 3))


def _belongs(design: FloatArray, step: FloatArray) -> BoolArray:
    """Return which rows (n,) go with the others; wrong ones do not."""
    fit = robust_fit(design, step)
    off = np.linalg.norm(fit.residual, axis=1)
    # What the functions cannot follow is not that far off.
    return np.asarray(off <= 6.0 * max(fit.scale, length(fit.residual) / RAYLEIGH_P95))


def _posterior(design: FloatArray, step: FloatArray, basis: _Basis) -> tuple[FloatArray, FloatArray, float]:
    """Return mean (k, 2) and covariance (k, k) of the coefficients, and how many of them the steps decide."""
    panel_of, pupil_of = basis.panel_of, basis.pupil_of
    normal, side, square = design.T @ design, design.T @ step, float(np.sum(step**2))
    count = len(step)
    noise = max(square / (2.0 * count), _LEAST**2)
    by_pupil = np.full(len(_LESS), noise)
    # What does not change with the pupil is a shift most of all; what does has a profile of its own.
    still, moving = (0.5 ** np.arange(panel_of.max() + 1) for _ in range(2))
    unmoved = pupil_of == 0
    for _ in range(_ROUNDS):
        by_panel = np.where(unmoved, still[panel_of], moving[panel_of])
        variance = by_pupil[pupil_of] * by_panel
        scale = np.sqrt(variance)
        inner = np.eye(len(scale)) + scale[:, None] * normal * scale / noise
        covariance = scale[:, None] * np.linalg.inv(inner) * scale
        mean = covariance @ side / noise
        decided = np.clip(1.0 - np.diagonal(covariance) / variance, 0.0, 1.0)
        rest = square - 2.0 * float(np.sum(mean * side)) + float(np.sum(mean * (normal @ mean)))
        noise = max(rest / (2.0 * max(count - decided.sum(), 0.1 * count)), _LEAST**2)
        energy = np.sum(mean**2, axis=1)
        _resize_pupil(by_pupil, pupil_of, energy, by_panel * decided)
        for profile, mine in ((still, unmoved), (moving, ~unmoved)):
            _resize_panel(profile, panel_of[mine], energy[mine], (by_pupil[pupil_of] * decided)[mine])
    return mean, 0.5 * (covariance + covariance.T), float(decided.sum())


def _resize_pupil(sizes: FloatArray, degree: IntArray, energy: FloatArray, known: FloatArray) -> None:
    """Set the variance of every degree over the pupil: what its coefficients show, and the belief that the
    second falls from the first.

    `known`: of each coefficient the variance for a size of 1, as far as the steps decide it. Sums over sums:
    a mean of ratios would go by the smallest.
    """
    unit = _unit(known)
    for k in range(len(sizes)):
        told, share, numbers = _told(k, degree, energy, known)
        if k > 1:
            belief = _BELIEF * (share / (2.0 * numbers) + 1e-3 * unit)
            told, share = told + belief * sizes[k - 1] * _PUPIL_FALL, share + belief
        sizes[k] = max(told / max(share, 1e-300), _LEAST**2)
        if k > 1:
            # Positions that show little would else take one degree for a larger one above it.
            sizes[k] = min(sizes[k], sizes[k - 1])


def _resize_panel(sizes: FloatArray, degree: IntArray, energy: FloatArray, known: FloatArray) -> None:
    """Set the variance of every degree over the panel over that of the lowest, as `_resize_pupil`; degrees
    fall as those before.
    """
    unit = _unit(known)
    for k in range(1, len(sizes)):
        if not np.any(degree == k):
            break
        told, share, numbers = _told(k, degree, energy, known)
        fall = min(sizes[k - 1] / sizes[k - 2], 1.0) if k > 1 else 1.0
        belief = _BELIEF * (share / (2.0 * numbers) + 1e-3 * unit)
        sizes[k] = max((told + belief * sizes[k - 1] * fall) / max(share + belief, 1e-300), _LEAST**2)


def _unit(known: FloatArray) -> float:
    return float(np.sum(known)) / max(int(np.count_nonzero(known > 0.0)), 1)


def _told(k: int, degree: IntArray, energy: FloatArray, known: FloatArray) -> tuple[float, float, int]:
    """Return energy and expected energy for a size of 1 of coefficients of a degree, and their number."""
    mine = degree == k
    return float(energy[mine].sum()), 2.0 * float(known[mine].sum()), int(np.count_nonzero(mine))
