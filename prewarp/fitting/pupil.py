"""The pupil side of the model: vector polynomials that direction cosines may follow over the pupil.

Rays from one panel point stay normal to a wavefront (Malus-Dupin), so their direction cosines over the pupil
plane are the gradient of a scalar W(x, y). Columns come in two kinds, ordered by degree:

- gradient columns: (dW/dx, dW/dy) with W = T_c(x') T_d(y'), degree c + d - 1;
- curl columns: (y' T_c T_d, -x' T_c T_d), degree c + d + 1: what a gradient cannot follow.

Together they span every vector polynomial of a degree; a real bundle needs none of the second kind, and a fit
that asks for them says that the data are not one bundle of rays (mixed orders, a bent stage, a camera that
turned).

Few positions do not show every column: `prewarp.fitting.support` chooses those that they do show.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from prewarp.chebyshev import count_of_degree, exponents_of_degree, values_2d
from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import index_of, pair_products


@dataclass(frozen=True)
class PupilFrame:
    """Normalisation of the reference pupil plane: x' = (x - centre_x) / half_x, likewise y; mm."""

    centre_mm: tuple[float, float]
    half_mm: tuple[float, float]

    def normalised(self, reference_mm: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return x', y' (n,) for positions (n, 2) in the plane z = 0, mm."""
        return (
            (reference_mm[:, 0] - self.centre_mm[0]) / self.half_mm[0],
            (reference_mm[:, 1] - self.centre_mm[1]) / self.half_mm[1],
        )

    def values(self, reference_mm: FloatArray, degree: int, /) -> FloatArray:
        """Return the scalar pupil basis at positions (n, 2), shape (count, n)."""
        x, y = self.normalised(reference_mm)
        return values_2d(x, y, degree)


@dataclass(frozen=True, eq=False)
class PupilColumns:
    """Vector columns over the pupil, expanded in the scalar basis of `degree`; compared by identity.

    `x`, `y`: (columns, count) coefficients of each component; `order`: (columns,) degree of each, rising;
    `is_curl`: which are curl columns; `parity`: (columns, 2), the exponent parity under a mirror of x and of
    y that goes with panel parity.
    """

    degree: int
    x: FloatArray
    y: FloatArray
    order: IntArray
    is_curl: np.ndarray
    parity: IntArray

    def up_to(self, degree: int, /) -> "PupilColumns":
        """Return the columns of this degree and below: the first of these, the same object every time."""
        if degree >= self.degree:
            return self
        if degree not in self._lower:
            kept, count = int(np.searchsorted(self.order, degree, side="right")), count_of_degree(degree)
            arrays = (self.order, self.is_curl, self.parity)
            order, is_curl, parity = (array[:kept] for array in arrays)
            x, y = (array[:kept, :count] for array in (self.x, self.y))
            self._lower[degree] = PupilColumns(degree, x, y, order, is_curl, parity)
        return self._lower[degree]

    @cached_property
    def _lower(self) -> dict[int, "PupilColumns"]:
        return {}

    @cached_property
    def products(self) -> FloatArray:
        """Products of every two columns, written in the scalar basis of twice the degree.

        Shape (columns, columns, 3, count(2 degree)); the third axis pairs with the weights xx, xy, yy: the
        quadratic form w_xx gx hx + w_xy (gx hy + gy hx) + w_yy gy hy.
        """
        linear = pair_products(self.degree)
        count = count_of_degree(self.degree)

        def multiply(first: FloatArray, second: FloatArray) -> FloatArray:
            outer = first[:, None, :, None] * second[None, :, None, :]
            return (linear.T @ outer.reshape(len(first) * len(second), count * count).T).T.reshape(
                len(first), len(second), -1
            )

        cross = multiply(self.x, self.y)
        forms = [multiply(self.x, self.x), cross + np.swapaxes(cross, 0, 1), multiply(self.y, self.y)]
        return np.stack(forms, axis=2)


def _derivative_rows(degree: int) -> FloatArray:
    """Return D with d/dx T_k = sum_m D[k, m] T_m for k, m <= degree."""
    table = np.zeros((degree + 1, degree + 1))
    for k in range(degree + 1):
        coefficients = np.polynomial.chebyshev.chebder(np.eye(degree + 1)[k])
        table[k, : len(coefficients)] = coefficients if degree > 0 else 0.0
    return table


@lru_cache(maxsize=32)
def pupil_columns(degree: int, half_mm: tuple[float, float], /) -> PupilColumns:
    """Return all gradient and curl columns of degree <= `degree`; gradients first within each degree."""
    count = count_of_degree(degree)
    slopes = _derivative_rows(degree + 1)
    columns: list[tuple[int, bool, FloatArray, FloatArray, tuple[int, int]]] = []
    for c, d in exponents_of_degree(degree + 1)[1:]:
        x, y = np.zeros(count), np.zeros(count)
        for m in range(c):
            if slopes[c, m]:
                x[index_of(np.array([m, d]))] += slopes[c, m] / half_mm[0]
        for m in range(d):
            if slopes[d, m]:
                y[index_of(np.array([c, m]))] += slopes[d, m] / half_mm[1]
        # Unit size on average, so that the columns of all degrees are of one scale.
        size = np.sqrt(np.sum(x * x + y * y))
        columns.append((int(c + d - 1), False, x / size, y / size, (int(c) % 2, int(d) % 2)))
    for c, d in exponents_of_degree(degree - 1) if degree >= 1 else ():
        x, y = np.zeros(count), np.zeros(count)
        for m in (d + 1, abs(d - 1)):
            x[index_of(np.array([c, m]))] += 0.5
        for m in (c + 1, abs(c - 1)):
            y[index_of(np.array([m, d]))] -= 0.5
        columns.append((int(c + d + 1), True, x, y, (int(c + 1) % 2, int(d + 1) % 2)))
    columns.sort(key=lambda column: (column[0], column[1]))
    return PupilColumns(
        degree=degree,
        x=np.array([column[2] for column in columns]),
        y=np.array([column[3] for column in columns]),
        order=np.array([column[0] for column in columns]),
        is_curl=np.array([column[1] for column in columns]),
        parity=np.array([column[4] for column in columns]),
    )
