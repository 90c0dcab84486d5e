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
from scipy.special import eval_legendre

from prewarp.acceptance.lengths import SHARE, length, lengths_by_shot, sigma_of_mean
from prewarp.chebyshev import count_of_degree, exponents_of_degree, values_2d
from prewarp.checks import BoolArray, FloatArray, IntArray, extent
from prewarp.robust import RAYLEIGH_P95, robust_fit

# Highest degree over the panel of what does not change with the pupil; by how much less for each degree over
# the pupil; rows of a shot that each function of the panel needs.
_DEGREE, _LESS, _ROWS_PER_NUMBER = 8, (0, 3, 5, 6), 3
# Fewer positions show a third degree over the pupil as the first; closer ones, over the eye box, no change.
_FEWEST_OF_THREE, _APART = 16, 0.2
_MOST_ROWS, _ROUNDS = 40_000, 40
# So many numbers' worth of belief has the size of a degree as those before it tell.
_BELIEF = 4.0
# Variance of the second degree over the pupil over that of the first, as published lenses have it where the
# eye is turned and moved (0.06 and 0.12 of two of `tests.long.accept_optics`; the others were not asked).
_PUPIL_FALL = 0.125
# Draws of the posterior, so many of them with sizes alike.
_DRAWS, _ALIKE, _SEED = 64, 2, 11
_SIZES, _LEAST = 400, 1e-9
# No coefficient is larger than this beforehand over the mean square of steps, no degree over the panel over
# the lowest, in variance.
_MOST_TIMES = 1e6
# Relative standard deviation of the variance that a 95 % length tells, times the root of its rows (Rayleigh).
_SCATTER = 1.45
# Power of its size by which the chance of a rough part falls: 0 for all sizes alike, 1 for all orders alike.
_FALL = 0.75


@dataclass(frozen=True, eq=False)
class Points:
    """Where lengths are read off.

    `place` (n, 2) and `reference` (n, 2): the pupil in the plane z = 0; `group` (n,): parts that were drawn
    apart from each other, so that they tell how sure reading off is. `added` (n, 2) or None: steps that come
    on top of the unit's own. `seen` (n, 2, 2) or None: what makes another unit of a step.
    """

    place: FloatArray
    reference: FloatArray
    group: IntArray
    added: FloatArray | None = None
    seen: FloatArray | None = None


@dataclass(frozen=True)
class Told:
    """A length that 95 % stay under: `value`, and standard uncertainties by source: what lies between
    `positions` and beyond them (None: a single shot does not tell), at which points it is `read_off`, and how
    unsure the `noise` that was taken out is. `per_rough`: how much the value grows with the rough part.
    """

    value: float
    positions: float | None
    read_off: float
    noise: float
    per_rough: float

    @property
    def sigma(self) -> float:
        """All of them, of those that are known."""
        return float(np.linalg.norm([self.positions or 0.0, self.read_off, self.noise]))


class Smooth:
    """Steps (n, 2) over places (n, 2), pupils (n, 2) in the plane z = 0 and shots (n,), in an eye box (2, 3):
    told apart once, for any noise, and read off at `points`.
    """

    def __init__(
        self,
        step: FloatArray,
        place: FloatArray,
        reference: FloatArray,
        shot: IntArray,
        box_mm: FloatArray,
        points: Points,
        /,
    ) -> None:
        self.raw, self.shot, self.points = length(step), shot, points
        degree, rows = _DEGREE, float(np.median(np.bincount(shot)[np.unique(shot)]))
        while degree and count_of_degree(degree) * _ROWS_PER_NUMBER > rows:
            degree -= 1
        degrees = [degree - less for less in _LESS[: _pupil_degrees(reference, shot, box_mm)]]
        basis = _Basis(extent(np.concatenate([place, points.place])), box_mm, degrees)
        design = basis.columns(place, reference)
        thin = slice(None, None, max(len(step) // _MOST_ROWS, 1))
        kept = _belongs(design[thin][:, basis.pupil_of < 2], step[thin])
        own, told = design[thin][kept], step[thin][kept]
        normal, side = own.T @ own, own.T @ told
        found = _posterior(normal, side, float(np.sum(told**2)), len(told), basis)
        self.rest = step - design @ found.mean
        # Per axis; by the length that 95 % stay under, as it is used.
        left = max(1.0 - found.decided.sum() / max(len(told), 1), 0.1)
        self.scatter = length(self.rest) / RAYLEIGH_P95 / np.sqrt(left)
        random = np.random.default_rng(_SEED)
        there, draws = basis.columns(points.place, points.reference), []
        for _ in range(_DRAWS // _ALIKE):
            mean, covariance = _conditional(normal, side, _drawn_sizes(found, basis, random), found.noise)
            values, vectors = np.linalg.eigh(covariance)
            root = vectors * np.sqrt(np.maximum(values, 0.0))
            draws.append(
                mean[..., None] + np.tensordot(root, random.standard_normal((len(mean), 2, _ALIKE)), 1)
            )
        drawn = np.concatenate(draws, axis=-1)
        # (points, 2, draws), in single precision: a ten millionth of a length.
        flat = drawn.reshape(len(drawn), -1).astype(np.float32)
        self._drawn = (there.astype(np.float32) @ flat).reshape(len(there), 2, -1)
        self._rough = random.standard_normal(self._drawn.shape, dtype=np.float32)
        self._mean = there @ found.mean

    def drawn(
        self, sigma: float, unsure: float = 0.0, /, *, more: float = 0.0, seen: bool = False
    ) -> FloatArray:
        """Return the length that 95 % stay under, (draws,), of what the unit may be.

        Noise of `sigma` per axis is taken out, whose variance is known to a share `unsure`, 1-sigma; the
        rough part is larger by the share `more`. `seen`: in the points' other unit; sigma stays as it is.
        """
        rough = ((1.0 + more) * self._roughness(sigma, unsure)).astype(np.float32)
        step = self._drawn + rough * self._rough
        if self.points.added is not None:
            step += self.points.added[..., None].astype(np.float32)
        if seen and self.points.seen is not None:
            step = self.points.seen.astype(np.float32) @ step
        return np.asarray(np.quantile(np.sum(step**2, axis=1), SHARE, axis=0), dtype=float) ** 0.5

    def steps(
        self, sigma: float, unsure: float = 0.0, /, *, added: bool = True, seen: bool = False
    ) -> FloatArray:
        """Return the likeliest steps (n, 2) at the points; arguments as `drawn`. `added`: with what comes on
        top.
        """
        step = self._mean + float(np.mean(self._roughness(sigma, unsure))) * self._rough[..., 0]
        if added and self.points.added is not None:
            step = step + self.points.added
        if seen and self.points.seen is not None:
            step = np.einsum("nij,nj->ni", self.points.seen, step)
        return np.asarray(step)

    def told(self, sigma: float, unsure: float = 0.0, /, *, seen: bool = False) -> "Told":
        """Return the length that 95 % stay under and how sure it is; arguments as `drawn`."""
        drawn, steps = self.drawn(sigma, unsure, seen=seen), self.steps(sigma, unsure, seen=seen)
        value = length(steps)
        # What is unsure makes steps longer: those told have it in them where it was added to the truth, and
        # lack it where it was taken off; that is not known (even law).
        longer = abs(float(drawn.mean()) - value) / np.sqrt(3.0)
        positions = float(np.hypot(self.drawn(sigma, seen=seen).std(ddof=1), longer))
        share = self._per_rough(sigma, unsure, drawn, seen)
        rough = sigma_of_mean(lengths_by_shot(self.rest, self.shot), len(np.unique(self.shot)))
        parts = lengths_by_shot(steps, self.points.group)
        return Told(
            value,
            None if rough is None else float(np.hypot(positions, share * rough)),
            float(np.std(parts, ddof=1) / np.sqrt(len(parts))) if len(parts) > 1 else 0.0,
            # Positions and noise alike, then with the noise itself unsure.
            float(np.sqrt(max(drawn.var(ddof=1) + longer**2 - positions**2, 0.0))),
            share,
        )

    def _per_rough(self, sigma: float, unsure: float, drawn: FloatArray, seen: bool) -> float:
        """Return how much the length grows with that of the rough part alone: at most as if alone."""
        rough = RAYLEIGH_P95 * float(np.mean(self._roughness(sigma, unsure)))
        if not rough > _LEAST:
            return 0.0
        grown = np.mean(self.drawn(sigma, unsure, more=0.1, seen=seen) - drawn)
        most = 1.0
        if seen and self.points.seen is not None:
            most = float(np.sqrt(np.abs(np.linalg.det(self.points.seen)).max()))
        return float(np.clip(grown / (0.1 * rough), 0.0, most))

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


def _pupil_degrees(reference: FloatArray, shot: IntArray, box_mm: FloatArray) -> int:
    """Return how many degrees over the pupil, from 0, positions can show: one alone, or several beside each
    other, show none but that.
    """
    shots = np.unique(shot)
    middle = extent(np.array([reference[shot == one].mean(axis=0) for one in shots]))
    wide = np.maximum(np.diff(box_mm[:, :2], axis=0)[0], 1e-9)
    if np.all(np.diff(middle, axis=0)[0] < _APART * wide):
        return 1
    return len(_LESS) if len(shots) >= _FEWEST_OF_THREE else len(_LESS) - 1


class _Basis:
    """Functions of panel and pupil: their degrees over the one, `panel_of`, and the other, `pupil_of`."""

    def __init__(self, reach: FloatArray, box_mm: FloatArray, degrees: list[int]) -> None:
        self.degrees = [max(one, 0) for one in degrees]
        self.low, self.high = reach
        self.middle, half = box_mm.mean(axis=0)[:2], 0.5 * np.diff(box_mm, axis=0)[0, :2]
        self.half = np.where(half > 0.0, half, 1.0)
        of_panel = [np.array([sum(one) for one in exponents_of_degree(each)]) for each in self.degrees]
        pairs = [(k, of_panel[k]) for k in range(len(degrees)) for _ in range(k + 1)]
        self.panel_of = np.concatenate([own for _, own in pairs])
        self.pupil_of = np.concatenate([np.full(len(own), k) for k, own in pairs])

    def columns(self, place: FloatArray, reference: FloatArray) -> FloatArray:
        """Return their values (n, functions) at places (n, 2) for pupils (n, 2) in the plane z = 0."""
        s, t = ((2.0 * place - self.low - self.high) / np.maximum(self.high - self.low, 1e-12)).T
        x, y = ((reference - self.middle) / self.half).T
        # Orthogonal over the eye box, of unit mean square: what is not seen moves no mean.
        count = len(self.degrees)
        along = [np.sqrt(2.0 * k + 1.0) * eval_legendre(k, np.stack([x, y])) for k in range(count)]
        pupil = [[along[k - n][0] * along[n][1] for n in range(k + 1)] for k in range(count)]
        panel = values_2d(s, t, self.degrees[0])
        parts = [
            one * panel[: count_of_degree(self.degrees[k])] for k, group in enumerate(pupil) for one in group
        ]
        return np.concatenate(parts).T


def _belongs(design: FloatArray, step: FloatArray) -> BoolArray:
    """Return which rows (n,) go with the others; wrong ones do not."""
    fit = robust_fit(design, step)
    off = np.linalg.norm(fit.residual, axis=1)
    # What the functions cannot follow is not that far off.
    return np.asarray(off <= 6.0 * max(fit.scale, length(fit.residual) / RAYLEIGH_P95))


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Of the coefficients: `mean` (k, 2), the `variance` (k,) each had beforehand, how far the steps have
    `decided` it (k,), and the `noise`, the variance of what the functions leave.
    """

    mean: FloatArray
    variance: FloatArray
    decided: FloatArray
    noise: float


def _conditional(
    normal: FloatArray, side: FloatArray, variance: FloatArray, noise: float
) -> tuple[FloatArray, FloatArray]:
    """Return mean (k, 2) and covariance (k, k) of coefficients of such variances beforehand (k,)."""
    scale = np.sqrt(variance)
    inner = np.eye(len(scale)) + scale[:, None] * normal * scale / noise
    covariance = scale[:, None] * np.linalg.inv(inner) * scale
    covariance = 0.5 * (covariance + covariance.T)
    return covariance @ side / noise, covariance


def _posterior(normal: FloatArray, side: FloatArray, square: float, count: int, basis: _Basis) -> _Posterior:
    """Return what steps tell of the coefficients and of their sizes.

    `normal`, `side`: of the functions with themselves and with the steps, of which there are `count` with the
    sum of squares `square`.
    """
    panel_of, pupil_of = basis.panel_of, basis.pupil_of
    noise = max(square / (2.0 * count), _LEAST**2)
    most = _MOST_TIMES * noise
    by_pupil = np.full(len(basis.degrees), noise)
    # What does not change with the pupil is a shift most of all; what does has a profile of its own.
    still, moving = (0.5 ** np.arange(panel_of.max() + 1) for _ in range(2))
    unmoved = pupil_of == 0
    for _ in range(_ROUNDS):
        by_panel = np.where(unmoved, still[panel_of], moving[panel_of])
        variance = np.minimum(by_pupil[pupil_of] * by_panel, most)
        mean, covariance = _conditional(normal, side, variance, noise)
        decided = np.clip(1.0 - np.diagonal(covariance) / variance, 0.0, 1.0)
        rest = square - 2.0 * float(np.sum(mean * side)) + float(np.sum(mean * (normal @ mean)))
        noise = max(rest / (2.0 * max(count - decided.sum(), 0.1 * count)), _LEAST**2)
        energy = np.sum(mean**2, axis=1)
        _resize_pupil(by_pupil, pupil_of, energy, by_panel * decided)
        for profile, mine in ((still, unmoved), (moving, ~unmoved)):
            _resize_panel(profile, panel_of[mine], energy[mine], (by_pupil[pupil_of] * decided)[mine])
    return _Posterior(mean, variance, decided, noise)


def _drawn_sizes(found: _Posterior, basis: _Basis, random: np.random.Generator) -> FloatArray:
    """Return variances (k,) that the coefficients may have had beforehand: sizes are told by so many numbers
    only, those decided and those believed (scaled inverse chi-square).
    """
    factor = np.ones(len(found.variance))
    unmoved = basis.pupil_of == 0
    groups = [(basis.pupil_of == k, _BELIEF if k > 1 else 0.0) for k in range(len(basis.degrees))]
    for mine in (unmoved, ~unmoved):
        groups += [(mine & (basis.panel_of == k), _BELIEF) for k in range(1, basis.panel_of.max() + 1)]
    for mine, belief in groups:
        if mine.any():
            numbers = max(2.0 * float(found.decided[mine].sum()) + belief, 2.0)
            factor[mine] *= numbers / random.chisquare(numbers)
    return found.variance * factor


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
        size = (told + belief * sizes[k - 1] * fall) / max(share + belief, 1e-300)
        sizes[k] = float(np.clip(size, _LEAST**2, _MOST_TIMES))


def _unit(known: FloatArray) -> float:
    return float(np.sum(known)) / max(int(np.count_nonzero(known > 0.0)), 1)


def _told(k: int, degree: IntArray, energy: FloatArray, known: FloatArray) -> tuple[float, float, int]:
    """Return energy and expected energy for a size of 1 of coefficients of a degree, and their number."""
    mine = degree == k
    return float(energy[mine].sum()), 2.0 * float(known[mine].sum()), int(np.count_nonzero(mine))
