"""The map of a unit: the trace of the design with its numbers moved, and a field that follows it.

Of a family from fits it is the sum of modes. Of a design's, a sum is off by terms of second order: 0.03 px
for tolerances that move the picture by 4 px. So a sum is where both begin, and what the trace shows beside it
is a smooth difference.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import LineError
from prewarp.fitting.expansion import Expansion
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import ChannelOptics, Family, added
from prewarp.line.tracing import RayLattice, traced
from prewarp.trace import DesignChannel

# What a sum of modes misses is small and smooth.
LEFT_DEGREE, LEFT_PUPIL_DEGREE = 8, 3


@dataclass(frozen=True)
class LeastSquares:
    """Rows (2 n, columns) of rays that came through, and the Cholesky factor of their squares."""

    rows: FloatArray
    lower: FloatArray

    @staticmethod
    def of(basis: FamilyBasis, lattice: RayLattice, pixel: FloatArray, valid: BoolArray, /) -> "LeastSquares":
        """Return what fits functions of a basis to the valid rays of a lattice."""
        rows = basis.rows(pixel[valid], lattice.pupils[valid]).reshape(-1, basis.count)
        squares = linalg.blas.dsyrk(1.0, rows.T, lower=1)
        # Places that no ray reaches would else be free.
        squares[np.diag_indices_from(squares)] += 1e-9 * np.trace(squares) / len(squares)
        return LeastSquares(rows, linalg.cholesky(squares, lower=True, overwrite_a=True))

    def fitted(self, values: FloatArray, /) -> FloatArray:
        """Return coefficients (columns, k) for values (2 n, k)."""
        result: FloatArray = linalg.cho_solve((self.lower, True), self.rows.T @ values)
        return result


def difference_basis(basis: FamilyBasis, /) -> FamilyBasis:
    """Return the functions in which what a sum of modes misses is written."""
    panel = basis.panel
    degree = min(panel.degree, LEFT_DEGREE)
    smaller = type(panel)(panel.size_px, degree, panel.half_px)
    return FamilyBasis(smaller, basis.frame, min(basis.pupil_degree, LEFT_PUPIL_DEGREE))


@dataclass(frozen=True)
class MovedFields:
    """Makes the fields of units of a family, as `Expansion`s."""

    family: Family

    def expansions(self, coefficients: FloatArray, /) -> dict[tuple[str, str], Expansion]:
        """Return the field of every channel and colour for coefficients (count,) in prior sigmas.

        Raises
        ------
        LineError
            The rays of the moved design miss its panel.
        TraceError
            A key of the design would leave what it may be.
        """
        found = {}
        for channel, own in self.family.channels.items():
            optics = None if own.optics is None else self.family.optics_of(channel, coefficients)
            amounts = coefficients[self.family.places_of(channel)]
            for colour, name in enumerate(self.family.colours):
                found[channel, name] = (
                    own.expansion(colour, amounts)
                    if optics is None or own.optics is None
                    else self._expansion(channel, colour, amounts, optics, own.optics)
                )
        return found

    @cached_property
    def _bases(self) -> dict[str, FamilyBasis]:
        return {name: difference_basis(one.basis) for name, one in self.family.channels.items()}

    def _expansion(
        self, channel: str, colour: int, amounts: FloatArray, optics: DesignChannel, rays: ChannelOptics
    ) -> Expansion:
        own, basis, lattice = self.family.channels[channel], self._bases[channel], rays.lattice
        size_px, wavelength_nm = own.basis.panel.size_px, self.family.wavelengths_nm[colour]
        pixel, valid = traced(optics, size_px, rays.pitch_um, lattice, wavelength_nm)
        if int(valid.sum()) < basis.count:
            raise LineError(f"channel '{channel}': the rays of the unit's optics miss its panel.")
        table = added(own.nominal[colour], own.basis.table(own.modes[colour] @ amounts))
        said = own.nominal_basis.expansion(table).values(pixel[valid], lattice.pupils[valid])
        rest = lattice.cosines[valid].T - said
        least = LeastSquares.of(basis, lattice, pixel, valid)
        left = basis.table(least.fitted(rest.reshape(-1, 1))[:, 0])
        return own.nominal_basis.expansion(added(table, left))
