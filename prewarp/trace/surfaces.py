"""The shape of one surface: sag, normal, and where a ray meets it, in the surface's own frame.

Own frame: vertex at the origin, +z along the axis. z = c r^2 / (1 + sqrt(1 - (1 + k) c^2 r^2)) + sum_i A_i
r^(2i), i = 2, 3, ... (the even asphere of ISO 10110-12). c = 1 / radius, positive when the centre of
curvature lies at +z; k is the conic constant: 0 a sphere, -1 a paraboloid, below -1 a hyperboloid. To it may
come a figure without symmetry (`figure`).
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.trace.figure import figure_and_slopes

_NEWTON_STEPS = 60
# A step below this part of the ray's distance from the vertex is rounding.
_STEP_LIMIT = 4e-16


@dataclass(frozen=True)
class Shape:
    """Curvature c in 1/mm, conic constant k, coefficients of r^4, r^6, ... in mm^-3, mm^-5, ...; `figure_mm`
    coefficients of the departures of `figure` over the radius `figure_radius_mm`.
    """

    curvature: float = 0.0
    conic: float = 0.0
    aspheric: tuple[float, ...] = ()
    figure_mm: tuple[float, ...] = ()
    figure_radius_mm: float = 1.0

    def sag(self, x: FloatArray, y: FloatArray, /) -> FloatArray:
        """Return z (...), mm; NaN beyond the conic's edge."""
        return self._sag_and_slopes(x, y)[0]

    def normal(self, x: FloatArray, y: FloatArray, /) -> FloatArray:
        """Return unit normals (..., 3) that point toward -z."""
        _, by_x, by_y = self._sag_and_slopes(x, y)
        normal = np.stack([by_x, by_y, -np.ones_like(x)], axis=-1)
        result: FloatArray = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
        return result

    def meet(self, point: FloatArray, direction: FloatArray, /) -> FloatArray:
        """Return the points (..., 3) where rays meet the surface; NaN where they miss it.

        Parameters
        ----------
        point, direction : (..., 3) arrays
            A point of each ray, mm, and its unit direction, own frame.

        Notes
        -----
        The conic is solved in closed form from the vertex plane, taking the root on the vertex's sheet (G. H.
        Spencer and M. V. R. K. Murty, J. Opt. Soc. Am. 52 (1962) 672); aspheric terms and the figure by
        Newton's method from there, to rounding. A ray parallel to the vertex plane is treated as a miss.
        """
        crosses = np.abs(direction[..., 2]) > 1e-12
        distance = np.where(crosses, -point[..., 2] / np.where(crosses, direction[..., 2], 1.0), np.nan)
        met = self._meet_conic(point + distance[..., None] * direction, direction)
        return self._meet_asphere(met, direction) if any(self.aspheric) or any(self.figure_mm) else met

    def _meet_conic(self, point: FloatArray, direction: FloatArray) -> FloatArray:
        if self.curvature == 0.0:
            return point
        c, oblate = self.curvature, 1.0 + self.conic
        x, y = point[..., 0], point[..., 1]
        along = direction[..., 2]
        # a s^2 - 2 b s + d = 0 for the distance s from the vertex plane.
        a = c * (1.0 + self.conic * along * along)
        b = along - c * (x * direction[..., 0] + y * direction[..., 1])
        d = c * (x * x + y * y)
        root = _sqrt(b * b - a * d)
        pivot = b + np.where(b < 0.0, -root, root)
        near = point + _ratio(d, pivot)[..., None] * direction
        far = point + _ratio(pivot, a)[..., None] * direction
        takes_near = 1.0 - oblate * c * near[..., 2] >= 0.0
        takes_far = 1.0 - oblate * c * far[..., 2] >= 0.0
        met = np.where(takes_near[..., None], near, far)
        return np.where((takes_near | takes_far)[..., None], met, np.nan)

    def _meet_asphere(self, point: FloatArray, direction: FloatArray) -> FloatArray:
        for _ in range(_NEWTON_STEPS):
            x, y = point[..., 0], point[..., 1]
            sag, by_x, by_y = self._sag_and_slopes(x, y)
            rate = direction[..., 2] - (by_x * direction[..., 0] + by_y * direction[..., 1])
            step = _ratio(sag - point[..., 2], rate)
            point = point + step[..., None] * direction
            scale = 1.0 + np.abs(point).max(axis=-1)
            if not np.any(np.abs(step) > _STEP_LIMIT * scale):
                break
        error = np.abs(self.sag(point[..., 0], point[..., 1]) - point[..., 2])
        converged: BoolArray = error <= 1e-12 * (1.0 + np.abs(point).max(axis=-1))
        return np.where(converged[..., None], point, np.nan)

    def _sag_and_slopes(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the sag and its slopes by x and by y, all (...)."""
        sag, slope = self._sag_and_slope(x * x + y * y)
        by_x, by_y = 2.0 * x * slope, 2.0 * y * slope
        if not any(self.figure_mm):
            return sag, by_x, by_y
        own, own_x, own_y = figure_and_slopes(self.figure_mm, self.figure_radius_mm, x, y)
        return sag + own, by_x + own_x, by_y + own_y

    def _sag_and_slope(self, squared: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the sag of what is round, and its derivative by r^2, both (...)."""
        c = self.curvature
        root = _sqrt(1.0 - (1.0 + self.conic) * c * c * squared)
        sag = c * squared / (1.0 + root)
        slope = 0.5 * c / np.where(root > 0.0, root, np.nan)
        power = squared
        for order, coefficient in enumerate(self.aspheric, 2):
            slope = slope + order * coefficient * power
            power = power * squared
            sag = sag + coefficient * power
        return sag, slope


def _sqrt(value: FloatArray) -> FloatArray:
    return np.sqrt(np.where(value >= 0.0, value, np.nan))


def _ratio(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    usable = np.abs(denominator) > 1e-300
    return np.where(usable, numerator / np.where(usable, denominator, 1.0), np.nan)
