"""Rays over the panel and the eye box at which fits of units are read off, and functions of them.

Fits of all units are so written in the same functions, at the same rays.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.field import Field
from prewarp.field.border import distance_inside
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.frames import reference_pupil, unit_from_tangent
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import FigureTerm
from prewarp.line.patterns import RIPPLE_UM, motion_columns, ripples
from prewarp.line.spread import Spread, pattern_excess
from prewarp.module import DisplayModule
from prewarp.poses.rays import pose_slopes

# Panel points each way, pupil positions along x and y, in two planes by turns.
_POINTS, _PUPILS = (15, 13), 5
# Distances of surfaces from the eye, each sqrt(2) of the one before, so that one is near any surface's.
RIPPLE_MM = (20.0, 28.0, 40.0, 56.0)


@dataclass(frozen=True, eq=False)
class Rays:
    """Rays of a channel at which fits are read off, and the functions in which they are written.

    `pixel` (n, 2), `label_mm` (n, 3), `reference_mm` (n, 2), `tangent` (n, 2) of the first fit. `rows`
    (2 n, m) functions; `lower` Cholesky factor of their squares; `px_per_cosine` (n, 2, 2). `metric` (m, m):
    coefficients in the order `sort` times it are coordinates of `Spread`, px; `group` (m,): their degree.
    """

    basis: FamilyBasis
    pixel: FloatArray
    label_mm: FloatArray
    reference_mm: FloatArray
    tangent: FloatArray
    rows: FloatArray
    lower: FloatArray
    px_per_cosine: FloatArray
    metric: FloatArray
    sort: IntArray
    group: IntArray

    @staticmethod
    def of(field: Field, border_px: FloatArray, degrees: tuple[int, int], module: DisplayModule) -> "Rays":
        """Return the rays of a channel, panel points inside `border_px`, from the field of one unit."""
        width, height = field.panel_size_px
        axes = [(np.arange(n) + 0.5) / n * length for n, length in zip(_POINTS, (width, height), strict=True)]
        points = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
        points = points[distance_inside(points, border_px) > 0.0]
        pupils = pupils_over(module)
        pixel, label = np.tile(points, (len(pupils), 1)), np.repeat(pupils, len(points), axis=0)
        tangent = field.forward(pixel, pupil_mm=label)
        reference = reference_pupil(tangent, label)
        half = np.maximum(np.abs(reference).max(axis=0), 0.1)
        basis = FamilyBasis(
            ChebyshevPanel(field.panel_size_px, degrees[0]),
            PupilFrame((0.0, 0.0), (float(half[0]), float(half[1]))),
            degrees[1],
        )
        rows = basis.rows(pixel, reference)
        _, jacobian = field.expansion.values_and_jacobian(pixel, reference)
        px_per_cosine = np.asarray(np.linalg.inv(np.moveaxis(jacobian, -1, 0)), dtype=float)
        sort = np.argsort(basis.orders, kind="stable")
        moved = np.einsum("nab,bnm->anm", px_per_cosine, rows[:, :, sort]).reshape(-1, basis.count)
        rows = rows.reshape(-1, basis.count)
        return Rays(
            basis,
            pixel,
            label,
            reference,
            tangent,
            rows,
            _lower(rows.T @ rows),
            px_per_cosine,
            _lower(moved.T @ moved / len(pixel)),
            sort,
            basis.orders[sort],
        )

    def cosines(self, fields: Sequence[Field]) -> FloatArray:
        """Return direction cosines (k, 2, n) of fields at the rays."""
        return np.stack([one.expansion.values(self.pixel, self.reference_mm) for one in fields])

    def coefficients(self, cosines: FloatArray) -> FloatArray:
        """Return coefficients (k, m) of direction cosines (k, 2, n) at the rays."""
        values = cosines.reshape(len(cosines), -1)
        result: FloatArray = linalg.cho_solve((self.lower, True), self.rows.T @ values.T).T
        return result

    def missed_px(self, cosines: FloatArray) -> float:
        """Return what functions leave of direction cosines (k, 2, n), mean square of the distance, px^2."""
        values = cosines.reshape(len(cosines), -1)
        left = (values - self.coefficients(cosines) @ self.rows.T).reshape(cosines.shape)
        px = np.einsum("nab,kbn->kan", self.px_per_cosine, left, optimize=True)
        return float(np.mean(np.sum(px**2, axis=1)))

    def coordinates(self, coefficients: FloatArray) -> FloatArray:
        """Return coordinates (..., colours * m), px, of coefficients (..., colours, m)."""
        scaled = coefficients[..., self.sort] @ self.metric / np.sqrt(coefficients.shape[-2])
        return np.asarray(scaled.reshape(*coefficients.shape[:-2], -1))

    def columns(self, coordinates: FloatArray, colours: int) -> FloatArray:
        """Return coefficients (colours, m, k) of coordinates (colours * m, k)."""
        own = coordinates.reshape(colours, self.basis.count, -1) * np.sqrt(colours)
        return np.stack([self._columns(one) for one in own])

    def _columns(self, own: FloatArray) -> FloatArray:
        columns = np.empty_like(own)
        columns[self.sort] = linalg.solve_triangular(self.metric, own, lower=True, trans="T")
        return columns

    def functions(self, sigma_px: FloatArray) -> FloatArray:
        """Return coefficients (m, m) of one sigma of every coordinate of a single colour, sigmas (m,)."""
        return self._columns(np.diag(sigma_px))

    def ripples(
        self, fits: FloatArray, spread: Spread, floor: float
    ) -> tuple[FloatArray, tuple[FigureTerm, ...]]:
        """Return smooth patterns of surfaces at several distances, coefficients (m, t), and their terms."""
        columns, labels = [], []
        for distance in RIPPLE_MM:
            cosines, degrees = ripples(self.reference_mm, self.tangent, distance)
            columns.append(self.coefficients(cosines))
            labels += [f"wavefront of degree {degree} at {distance:g} mm from the eye" for degree in degrees]
        found = np.concatenate(columns)
        colours = fits.shape[1] // self.basis.count
        patterns = self.coordinates(np.repeat(found[:, None], colours, axis=1)).T
        excess = pattern_excess(fits, spread, patterns, floor)
        terms = (FigureTerm(label, RIPPLE_UM, float(one)) for label, one in zip(labels, excess, strict=True))
        return found.T, tuple(terms)

    def motions(self, fields: Sequence[Field]) -> FloatArray:
        """Return what the seven motions of all shots do, coefficients (colours, m, 7): mm, arcmin, 1."""
        unit, cosines = unit_from_tangent(self.tangent), []
        for field in fields:
            slope = field.expansion.pupil_jacobian(self.pixel, self.reference_mm)
            poses = pose_slopes(unit, self.tangent, self.label_mm[:, 2], slope)
            motion = motion_columns(self.label_mm)
            cosines.append(np.einsum("pcn,npm->mcn", poses, motion))
        return np.stack([self.coefficients(one).T for one in cosines])


def pupils_over(module: DisplayModule, /) -> FloatArray:
    """Return pupil positions (n, 3), mm, over the eye box of a display, in its two outer planes by turns."""
    half = np.array(module.eye_box.half_mm)
    along = np.linspace(-1.0, 1.0, _PUPILS)
    return np.array(
        [[x, y, (-1.0) ** (i + k)] for k, y in enumerate(along) for i, x in enumerate(along)]
    ) * np.asarray(half)


def _lower(squares: FloatArray) -> FloatArray:
    """Return the Cholesky factor, places that no ray reaches held."""
    squares[np.diag_indices_from(squares)] += 1e-12 * np.trace(squares) / len(squares)
    return np.asarray(np.linalg.cholesky(squares), dtype=float)
