"""The seam error of one direction as a polynomial of pupil and tracked pupil: fast, for a million moments.

With rays that do not bend, a direction t and a pupil e matter only through the point r = (x - z tx, y - z ty)
where the ray meets z = 0. So the seam error of content at t is a function of r (pupil),
r' (tracked pupil), and very slightly of z, which is 0 where r = r'. It is expanded in r' and d = r - r' with
at least one power of d in every term, plus z d: least squares on samples of the real fields, inverse and
forward, over the eye box. What is left is measured on other samples and stated with every result.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.chebyshev import count_of_degree, exponents_of_degree, values_2d
from prewarp.checks import FloatArray, as_tangent, extent
from prewarp.errors import SeamError
from prewarp.module import EyeBox
from prewarp.seam.misregistration import seam_error

if TYPE_CHECKING:
    from prewarp.field import Field

DEGREE = 5
# Samples per direction, and as many more to check with; half of them have the two pupils close together.
SAMPLES, CHECKS = 512, 128
NEAR_MM = 1.5
# Relative errors count for pupils further apart than this, absolute ones below.
NEAR_WEIGHT_MM = 0.5
# A side of an eye box without length still gets this much, so that slip and noise have somewhere to go.
LEAST_HALF_MM = 0.25
# Degree over direction of what lies between the directions of a surface; pupils at once.
BETWEEN_DEGREE = 5
_ROWS_AT_ONCE = 8192


@dataclass(frozen=True)
class SeamSurface:
    """Seam error over the eye box for some directions.

    Parameters
    ----------
    channels : (str, str)
    tangent : (m, 2) float array
        Directions, tangents.
    half_mm : (3,) float array
        Half sizes of the eye box within which the surface holds.
    coefficients : (m, 2, terms) float array
        arcmin; right and up.
    error_rms_arcmin, error_max_arcmin : float
        What the polynomial misses, on samples that it was not made from.
    """

    channels: tuple[str, str]
    tangent: FloatArray
    half_mm: FloatArray
    coefficients: FloatArray
    error_rms_arcmin: float
    error_max_arcmin: float

    @property
    def is_flat(self) -> bool:
        """Whether the eye box has no depth worth the name."""
        return bool(self.half_mm[2] <= LEAST_HALF_MM)

    def step_arcmin(self, place: int, pupil_mm: FloatArray, tracked_mm: FloatArray, /) -> FloatArray:
        """Return the step (2, n) from the first channel's picture to the second's of direction `place`.

        `pupil_mm`, `tracked_mm`: (3, n) mm, inside the eye box.
        """
        tangent = self.tangent[place]
        tracked = tracked_mm[:2] - tracked_mm[2] * tangent[:, None]
        apart = pupil_mm[:2] - pupil_mm[2] * tangent[:, None] - tracked
        x, y = tracked / _scale(self.half_mm, tangent)[:, None]
        base = values_2d(x, y, DEGREE - 1)
        own = self.coefficients[place]
        powers = _powers(apart)
        step = np.zeros((2, apart.shape[1]))
        start = 0
        for order in range(1, DEGREE + 1):
            functions = count_of_degree(DEGREE - order)
            for power in powers[order]:
                step += power * (own[:, start : start + functions] @ base[:functions])
                start += functions
        return np.asarray(step + pupil_mm[2] * (own[:, start:] @ apart))

    def step_between_arcmin(
        self, tangent: FloatArray, pupil_mm: FloatArray, tracked_mm: FloatArray, /
    ) -> FloatArray:
        """Return the steps (2, n) in directions (n, 2) among those of the surface, each for a pupil of its
        own.

        `pupil_mm`, `tracked_mm`: (3, n) mm, inside the eye box. Coefficients are joined by a polynomial.
        """
        degree = BETWEEN_DEGREE
        while degree and 2 * count_of_degree(degree) > len(self.tangent):
            degree -= 1
        low, high = extent(self.tangent)

        def over_direction(asked: FloatArray) -> FloatArray:
            s, t = ((2.0 * asked - low - high) / np.maximum(high - low, 1e-12)).T
            return values_2d(s, t, degree).T

        flat = self.coefficients.reshape(len(self.tangent), -1)
        between = np.linalg.lstsq(over_direction(self.tangent), flat, rcond=None)[0]
        step = np.empty((2, len(tangent)))
        for start in range(0, len(tangent), _ROWS_AT_ONCE):
            part = slice(start, start + _ROWS_AT_ONCE)
            own = (over_direction(tangent[part]) @ between).reshape(-1, *self.coefficients.shape[1:])
            terms = _terms(pupil_mm.T[part], tracked_mm.T[part], tangent[part], self.half_mm)
            step[:, part] = np.einsum("nct,nt->cn", own, terms)
        return step

    def first_order(self) -> FloatArray:
        """Return d(step)/d(x, y of the pupil) (m, 2, 2), arcmin per mm, pupil and tracked pupil centred."""
        functions = count_of_degree(DEGREE - 1)
        at_centre = values_2d(np.zeros(1), np.zeros(1), DEGREE - 1)[:, 0]
        blocks = self.coefficients[:, :, : 2 * functions].reshape(len(self.tangent), 2, 2, functions)
        return blocks @ at_centre


def seam_surface(first: "Field", second: "Field", tangent: FloatArray, /, *, eye_box: EyeBox) -> SeamSurface:
    """Expand the seam error of two channels.

    Parameters
    ----------
    first, second : Field
    tangent : (m, 2) float array
        Directions that both channels serve from the whole eye box, tangents.
    eye_box : EyeBox

    Raises
    ------
    SeamError
        A direction is not served by both channels for most of the eye box.
    """
    tangent = as_tangent(tangent).reshape(-1, 2)
    half = np.maximum(eye_box.half_mm, LEAST_HALF_MM)
    # A box side without length is not searched for reach beyond what the eye box asks.
    pupil, tracked = _pupil_pairs(np.where(eye_box.half_mm > 0.0, half, 0.0))
    found = seam_error(
        first, second, tangent[:, None, :], pupil_mm=pupil[None], tracked_pupil_mm=tracked[None]
    )
    step, valid = found.vector_arcmin, found.valid
    if valid.mean(axis=1).min(initial=1.0) < 0.9:
        place = int(np.argmin(valid.mean(axis=1)))
        x, y = np.degrees(np.arctan(tangent[place]))
        raise SeamError(
            f"direction dir_x {x:.2f}, dir_y {y:.2f} degrees: channels '{first.channel}' and "
            f"'{second.channel}' both show it from {100.0 * valid[place].mean():.0f} % of the eye box "
            "only. Take directions of their overlap."
        )
    terms = np.stack([_terms(pupil, tracked, one, half) for one in tangent])
    distance = np.linalg.norm(pupil - tracked, axis=1)
    weight = np.where(valid, 1.0 / np.maximum(distance, NEAR_WEIGHT_MM), 0.0)
    step = np.where(valid[..., None], step, 0.0)
    weight[:, SAMPLES:] = 0.0
    weighed = terms * weight[..., None]
    normal = np.swapaxes(weighed, 1, 2) @ weighed
    side = np.swapaxes(weighed, 1, 2) @ (step * weight[..., None])
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("mii->mi", normal), 1e-30))
    normal = normal * scale[:, :, None] * scale[:, None, :]
    # A pull of 1e-10 decides only what the samples leave open, as where an eye box has no depth.
    normal[:, np.arange(normal.shape[1]), np.arange(normal.shape[1])] += 1e-10
    solution = np.linalg.solve(normal, side * scale[..., None]) * scale[..., None]
    missed = np.linalg.norm(terms @ solution - step, axis=2)[:, SAMPLES:][valid[:, SAMPLES:]]
    return SeamSurface(
        (first.channel, second.channel),
        tangent,
        half,
        np.swapaxes(solution, 1, 2),
        float(np.sqrt(np.mean(missed**2))),
        float(missed.max()),
    )


def _pupil_pairs(half: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return pupils and tracked pupils (SAMPLES + CHECKS, 3), mm: a low-discrepancy sequence."""
    # Multiples of powers of 1/g, with g the root of g^7 = g + 1 (M. Roberts, "The unreasonable effectiveness
    # of quasirandom sequences", 2018): six coordinates that fill evenly.
    growth = 1.0
    for _ in range(40):
        growth = (1.0 + growth) ** (1.0 / 7.0)
    unit = 2.0 * (np.outer(np.arange(1, SAMPLES + CHECKS + 1), growth ** -np.arange(1.0, 7.0)) % 1.0) - 1.0
    pupil, tracked = unit[:, :3] * half, unit[:, 3:] * half
    near = np.arange(len(unit)) % 2 == 1
    tracked[near] = np.clip(pupil[near] + unit[near, 3:] * NEAR_MM, -half, half)
    return pupil, tracked


def _scale(half: FloatArray, tangent: FloatArray) -> FloatArray:
    """Return how far reference pupils reach (..., 2), for directions (..., 2)."""
    return np.asarray(half[:2] + half[2] * np.abs(tangent))


def _terms(pupil: FloatArray, tracked: FloatArray, tangent: FloatArray, half: FloatArray) -> FloatArray:
    """Return the basis (n, terms) in the order in which `step_arcmin` sums it; tangent (2,) or (n, 2)."""
    reference = (tracked[:, :2] - tracked[:, 2:] * tangent).T
    apart = (pupil[:, :2] - pupil[:, 2:] * tangent).T - reference
    x, y = (reference.T / _scale(half, tangent)).T
    base = values_2d(x, y, DEGREE - 1)
    powers = _powers(apart)
    parts = [
        power * base[: count_of_degree(DEGREE - order)]
        for order in range(1, DEGREE + 1)
        for power in powers[order]
    ]
    return np.vstack([*parts, pupil[:, 2] * apart]).T


def _powers(apart: FloatArray) -> list[list[FloatArray]]:
    """Return the monomials of d by order, each (n,); d in mm, so the first coefficients are arcmin per mm."""
    x, y = apart
    by_order: list[list[FloatArray]] = [[] for _ in range(DEGREE + 1)]
    in_x, in_y = [np.ones_like(x)], [np.ones_like(y)]
    for _ in range(DEGREE):
        in_x.append(in_x[-1] * x)
        in_y.append(in_y[-1] * y)
    for a, b in exponents_of_degree(DEGREE):
        by_order[a + b].append(in_x[a] * in_y[b])
    return by_order
