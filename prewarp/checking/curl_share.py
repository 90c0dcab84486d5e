"""How much of a supposed fault of the directions is in their curl, with its sigma: a matched test.

True directions have no curl over the pupil (Malus-Dupin). A fault that is known but for its size, such as
angles of another kind, makes a curl of known pattern over panel and pupil; its size is one number, to which
all samples add, so that it is known long before the mean square of the curl stands out of noise.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from prewarp.checking.samples import Samples
from prewarp.checking.surface import MapModel
from prewarp.checks import BoolArray, FloatArray, IntArray, lengths_of_rows
from prewarp.frames import ARCMIN_PER_RADIAN, cosine_from_tangent, tangent_from_cosine

# Samples looked at: first a few, which mostly rule a fault out, then more.
_FEW, _MOST = 2000, 20_000
_RULED_OUT = 5.0  # sigma from all of a fault
_NEAR = 5.0  # times noise: samples further off the model say nothing
# What makes curl beside the fault is left free: turns of the camera from shot to shot, a roll common to all
# and pupil axes that are not parallel to those of directions, 1-sigma of each in rad.
_SHOT_TURN = 2.0 / ARCMIN_PER_RADIAN
_COMMON_TURN = 0.1
_LEAST_FREEDOM = 0.25  # of the residuals, to tell noise by them
_LEAST = 1e-12  # of the mean variance: keeps what no sample determines solvable


@dataclass(frozen=True)
class Share:
    """How much of a fault is in the data (0 none, 1 all) and its 1-sigma; inf where they do not say."""

    value: float
    sigma: float

    @property
    def from_none(self) -> float:
        """Return by how many sigma there is more than nothing."""
        return self.value / self.sigma

    @property
    def from_all(self) -> float:
        """Return by how many sigma there is less (or, negative, more) than all of it."""
        return (1.0 - self.value) / self.sigma


def pooled(shares: Sequence[Share]) -> Share:
    """Return what independent shares say together."""
    weight = np.array([one.sigma for one in shares]) ** -2.0
    total = float(weight.sum())
    if not total > 0.0:
        return Share(0.0, np.inf)
    return Share(float(weight @ [one.value for one in shares]) / total, total**-0.5)


def curl_shares(
    samples: Samples,
    surface: MapModel,
    good: BoolArray,
    mends: Sequence[Callable[[FloatArray], FloatArray]],
) -> list[Share]:
    """Return the share of each fault in the curl of a channel and colour.

    Parameters
    ----------
    samples : Samples
    surface : MapModel
        Its terms are used; it must follow both pupil coordinates.
    good : (n,) bool array
        Samples not found wrong.
    mends : sequence of functions
        Each gives true tangents (m, 2) of those written (m, 2) if the fault were there.

    Notes
    -----
    Coefficients of the model's terms have covariance V, a fault of full size adds b to them, and the curl is
    linear in them, c = L a: the generalised least squares share (Aitken) is b'L'W c / b'L'W L b with W the
    inverse of the covariance of c, equal to that of a fit by gradient columns and the fault's pattern.
    The pattern is taken from the model, not from the samples, so that their noise does not answer itself.
    """
    index = np.flatnonzero((samples.pair == surface.pair) & good)
    index = np.random.default_rng(1).permutation(index)
    for most in (_FEW, _MOST):
        fit = _Curl(samples, surface, index[:most])
        shares = [fit.share(mend) for mend in mends]
        if most >= len(index) or all(one.from_all > _RULED_OUT for one in shares):
            break
    return shares


class _Curl:
    """The curl of a polynomial fit, as coefficients (r,) of model terms, and its covariance."""

    def __init__(self, samples: Samples, surface: MapModel, index: IntArray):
        pixel, reference = samples.pixel[index], samples.reference_mm[index]
        terms = surface.terms(pixel, reference)
        near = lengths_of_rows(samples.cosine[index] - terms @ surface.coefficient) <= _NEAR * surface.scale
        index, pixel, reference, self.terms = index[near], pixel[near], reference[near], terms[near]
        self.depth_mm = samples.pupil_mm[index, 2]
        normal = self.terms.T @ self.terms
        normal[np.diag_indices_from(normal)] += _LEAST * np.trace(normal) / len(normal)
        inverse = np.linalg.inv(normal)
        coefficient = inverse @ (self.terms.T @ samples.cosine[index])
        self.cosine = self.terms @ coefficient
        self.by_x, self.by_y = (
            surface.terms(pixel, reference, derivative=axis) @ coefficient for axis in (2, 3)
        )
        by_x, by_y = (_derivative(surface.exponents, axis) for axis in (2, 3))
        rows = by_x.any(axis=1) | by_y.any(axis=1)
        by_x, by_y = by_x[rows] / surface.half_mm[0], by_y[rows] / surface.half_mm[1]
        self.of_x, self.of_y = by_y @ inverse, -(by_x @ inverse)
        self.curl = self._of(self.terms.T @ samples.cosine[index])
        turns = _Turns(self.cosine, samples.group[index])
        free = self._free(turns, reference - surface.middle_mm)
        scale = self._scale(turns, samples.cosine[index] - self.cosine, surface.scale)
        noise = scale**2 * (self.of_x @ by_y.T - self.of_y @ by_x.T)
        covariance = noise + free @ free.T
        covariance[np.diag_indices_from(covariance)] += _LEAST * np.trace(noise) / max(len(noise), 1)
        self.weight = np.linalg.inv(covariance)

    def _of(self, sums: FloatArray) -> FloatArray:
        """Return the curl (r, ...) of a field of which `sums` (k, 2, ...) are terms' products with it."""
        result: FloatArray = self.of_x @ sums[:, 0] + self.of_y @ sums[:, 1]
        return result

    def _free(self, turns: "_Turns", away_mm: FloatArray) -> FloatArray:
        """Return the curls (r, m) of 1-sigma of what is left free.

        Pupil axes turned by a move direction cosines by a (x dq/dy - y dq/dx) (derived here).
        """
        sums = np.array([[turns.sums(self.terms * one[:, None]) for one in turn] for turn in turns.patterns])
        shots = self._of(sums.transpose(3, 1, 0, 2).reshape(sums.shape[3], 2, -1))
        roll = self._of(sums[2].sum(axis=1).T)
        axes = self._of(self.terms.T @ (self.by_y * away_mm[:, :1] - self.by_x * away_mm[:, 1:]))
        return np.column_stack([_SHOT_TURN * shots, _COMMON_TURN * roll, _COMMON_TURN * axes])

    def _scale(self, turns: "_Turns", rest: FloatArray, usual: float) -> float:
        """Return the noise of a direction cosine from residuals (n, 2) without turns, else `usual`.

        Turns are left free already: they must not count as noise too.
        """
        left = turns.taken_off(rest)
        freedom = left.size - 2 * self.terms.shape[1] - 3 * len(turns.starts)
        if freedom < _LEAST_FREEDOM * left.size:
            return usual
        return float(np.sqrt(np.sum(left * left) / freedom))

    def share(self, mend: Callable[[FloatArray], FloatArray]) -> Share:
        """Return the share of the fault that `mend` takes off."""
        tangent = tangent_from_cosine(self.cosine)
        mended = mend(tangent)
        # The rays of other directions cross z = 0 elsewhere.
        step_mm = -self.depth_mm[:, None] * (mended - tangent)
        fault = self.cosine - cosine_from_tangent(mended)
        fault += self.by_x * step_mm[:, :1] + self.by_y * step_mm[:, 1:]
        pattern = self._of(self.terms.T @ fault)
        told = self.weight @ pattern
        information = float(told @ pattern)
        if not information > 0.0:
            return Share(0.0, np.inf)
        return Share(float(told @ self.curl) / information, information**-0.5)


class _Turns:
    """Turns of the camera at every shot: r moves direction cosines by -(r x s)_xy, s the unit direction."""

    def __init__(self, cosine: FloatArray, group: IntArray):
        x, y = cosine.T
        z, none = np.sqrt(np.maximum(1.0 - x * x - y * y, 0.0)), np.zeros(len(x))
        # By turns about x, y and z: (3, 2, n).
        self.patterns = np.array([[none, z], [-z, none], [y, -x]])
        self.order = np.argsort(group, kind="stable")
        self.starts = np.flatnonzero(np.diff(group[self.order], prepend=-1))
        self.shot = np.empty(len(x), dtype=np.int64)
        self.shot[self.order] = np.repeat(
            np.arange(len(self.starts)), np.diff(np.append(self.starts, len(x)))
        )

    def sums(self, values: FloatArray) -> FloatArray:
        """Return the sums (shots, ...) of values (n, ...) over the samples of each shot."""
        result: FloatArray = np.add.reduceat(values[self.order], self.starts, axis=0)
        return result

    def taken_off(self, rest: FloatArray) -> FloatArray:
        """Return residuals (n, 2) without the turn of each shot that explains them best."""
        normal = self.sums(np.einsum("acn,bcn->nab", self.patterns, self.patterns))
        side = self.sums(np.einsum("acn,nc->na", self.patterns, rest))
        turn = np.linalg.solve(normal + 1e-9 * np.eye(3), side[..., None])[..., 0]
        result: FloatArray = rest - np.einsum("acn,na->nc", self.patterns, turn[self.shot])
        return result


def _derivative(exponents: IntArray, axis: int) -> FloatArray:
    """Return (k, k): coefficients of the derivative by a scaled variable from those of Chebyshev terms."""
    most = int(exponents[:, axis].max())
    table = np.zeros((most + 1, most + 1))
    for power in range(1, most + 1):
        table[:power, power] = chebyshev.chebder(np.eye(most + 1)[power])[:power]
    others = np.delete(exponents, axis, axis=1)
    alike = (others[:, None] == others[None, :]).all(axis=2)
    result: FloatArray = np.where(alike, table[exponents[:, axis][:, None], exponents[:, axis]], 0.0)
    return result
