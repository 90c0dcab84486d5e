"""The functions in which a family's fields are written: gradient columns over panel and pupil.

Direction cosines q(u, v, x0, y0) = sum_m a_m P_p(m)(u, v) g_j(m)(x0, y0), P Chebyshev functions of the panel,
g gradients of functions of the reference pupil (Malus-Dupin), each degree over the pupil counting two.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from prewarp.chebyshev import exponents_of_degree
from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import PupilColumns, PupilFrame, pupil_columns

PUPIL_COST = 2


@dataclass(frozen=True)
class FamilyBasis:
    """Columns up to a total degree, of one channel; `degree` over panel and pupil, `pupil_degree` over the
    pupil alone.
    """

    panel: ChebyshevPanel
    frame: PupilFrame
    pupil_degree: int

    @property
    def degree(self) -> int:
        """Total degree."""
        return self.panel.degree

    @cached_property
    def _table(self) -> PupilColumns:
        return pupil_columns(self.pupil_degree, self.frame.half_mm)

    @cached_property
    def _places(self) -> tuple[IntArray, IntArray]:
        total = exponents_of_degree(self.degree).sum(axis=1)
        order = PUPIL_COST * self._table.order
        inside = (total[None] + order[:, None] <= self.degree) & ~self._table.is_curl[:, None]
        pupil, panel = np.nonzero(inside)
        return panel, pupil

    @property
    def orders(self) -> IntArray:
        """Total degree (count,) of every column, each degree over the pupil counting two."""
        panel, pupil = self._places
        total: IntArray = exponents_of_degree(self.degree).sum(axis=1)[panel]
        return total + PUPIL_COST * self._table.order[pupil]

    @property
    def count(self) -> int:
        """Number of columns."""
        return len(self._places[0])

    def rows(self, pixel: FloatArray, reference_mm: FloatArray, /) -> FloatArray:
        """Return the columns (2, n, count) at panel points (n, 2), px, and reference pupils (n, 2), mm."""
        panel, pupil = self._places
        values = self.panel.values(pixel)[panel]
        psi = self.frame.values(reference_mm, self.pupil_degree)
        return np.stack(
            [np.multiply(values, (part @ psi)[pupil]).T for part in (self._table.x, self._table.y)]
        )

    def sums(self, pixel: FloatArray, reference_mm: FloatArray, coefficients: FloatArray, /) -> FloatArray:
        """Return the sums (2, k, n) of columns by coefficients (count, k), places as in `rows`."""
        panel, pupil = self._places
        values = self.panel.values(pixel)[panel]
        psi = self.frame.values(reference_mm, self.pupil_degree)
        turned = np.ascontiguousarray(coefficients.T)
        return np.stack([turned @ (values * (part @ psi)[pupil]) for part in (self._table.x, self._table.y)])

    def table(self, coefficients: FloatArray, /) -> FloatArray:
        """Return coefficients (count,) over (panel functions, scalar pupil functions, 2), both graded."""
        panel, pupil = self._places
        table = np.zeros((len(exponents_of_degree(self.degree)), self._table.x.shape[1], 2))
        for component, part in enumerate((self._table.x, self._table.y)):
            np.add.at(table[..., component], panel, coefficients[:, None] * part[pupil])
        return table

    def expansion(self, table: FloatArray, /) -> Expansion:
        """Return the field of a `table`."""
        return Expansion(self.panel, self.frame, self.pupil_degree, table)
