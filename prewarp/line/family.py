"""A family of units: the nominal field of every channel and colour, and how units differ from it.

q = q_0 + sum_k c_k q_k, direction cosines; c are independent, of mean 0 and 1-sigma 1: the coefficients of a
unit are in prior sigmas. The first modes are those of the design's tolerances, by finite differences of its
trace; the others are what such sums leave over, mostly terms of second order: principal parts of the misfit
of units drawn by lot. All are kept with their priors. What these leave over in turn is `rest_px`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import LineError
from prewarp.fitting.expansion import Expansion
from prewarp.line.basis import FamilyBasis


@dataclass(frozen=True, eq=False)
class ChannelFamily:
    """One channel of a family.

    Parameters
    ----------
    nominal_basis, basis : FamilyBasis
        Of the nominal field, and of the modes, which are smaller and need fewer functions.
    nominal : (colours, panel functions, pupil functions, 2) float array
        The mean field, direction cosines.
    modes : (colours, columns, modes) float array
        One sigma of every mode.
    labels : tuple of str
        Of the named modes, which come first; the others are terms left over.
    places : tuple of int
        Which coefficients of the family the named modes are.
    rest_px : float
        What nominal field and modes leave over, RMS of the distance, panel px.
    border_px : (k, 2) float array
        Convex hull of the panel points of the rays, within the panel.
    captured_tangent : (k, 2) float array
        Convex hull of the directions of the rays that reach the panel, tangents.
    """

    nominal_basis: FamilyBasis
    basis: FamilyBasis
    nominal: FloatArray
    modes: FloatArray
    labels: tuple[str, ...]
    rest_px: float
    border_px: FloatArray
    captured_tangent: FloatArray

    def expansion(self, colour: int, amounts: FloatArray | None = None, /) -> Expansion:
        """Return the field of a colour for coefficients (modes,) in prior sigmas; the nominal one without."""
        table = self.nominal[colour]
        if amounts is not None:
            table = added(table, self.basis.table(self.modes[colour] @ amounts))
        return self.nominal_basis.expansion(table)


def added(table: FloatArray, smaller: FloatArray, /) -> FloatArray:
    """Return the sum of two tables of graded functions, the second of fewer."""
    result = table.copy()
    result[: smaller.shape[0], : smaller.shape[1]] += smaller
    return result


@dataclass(frozen=True, eq=False)
class Family:
    """All channels of a family, in the order of the module.

    `channels`: by name; the coefficients of a unit are those of the first channel, then of the next.
    `colours`: names. `pupil_box_mm` (2, 3): pupil positions that the fields hold for. `provenance`: facts.
    """

    channels: Mapping[str, ChannelFamily]
    colours: tuple[str, ...]
    pupil_box_mm: FloatArray
    provenance: Mapping[str, object]

    @property
    def count(self) -> int:
        """Number of coefficients of a unit."""
        return sum(one.modes.shape[2] for one in self.channels.values())

    def places_of(self, channel: str, /) -> slice:
        """Return which coefficients of a unit are a channel's."""
        start = 0
        for name, one in self.channels.items():
            if name == channel:
                return slice(start, start + one.modes.shape[2])
            start += one.modes.shape[2]
        raise LineError(f"the family has no channel {channel!r}; it has {', '.join(self.channels)}.")

    @property
    def named(self) -> tuple[tuple[int, str], ...]:
        """Place and label of every named mode, in order."""
        found = []
        for name, one in self.channels.items():
            start = self.places_of(name).start
            found += [(start + k, f"{name}, {label}") for k, label in enumerate(one.labels)]
        return tuple(found)

    @property
    def named_places(self) -> np.ndarray:
        """Places (k,) of the named modes."""
        return np.array([place for place, _ in self.named], dtype=int)
