"""Panel transfer functions: what a panel's code means in light, and which code gives a wanted light.

`linear` is relative light, 0 to 1; `encoded` is the code divided by the largest code, 0 to 1; `code` is the
integer that the panel takes. Three kinds: `srgb`, `power` (a pure power law) and `table` (measured light at
equally spaced codes, joined by a monotone cubic: it never falls between two levels, as straight lines do not,
and has no kinks).
"""

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.checks import FloatArray, nearest_name, require_range
from prewarp.errors import ShapeError

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator

KINDS = ("srgb", "power", "table")
# Steps of the inverse of a measured table, each at least halving the interval that holds the answer.
_INVERSE_STEPS = 40
_INVERSE_TOLERANCE = 1e-13
# Cells of the direct table of `code_from_linear`; one more comparison makes its answer exact.
_CELLS = 1 << 16


def linear_from_srgb(encoded: ArrayLike, /) -> FloatArray:
    """Return relative light for sRGB values 0 to 1 (IEC 61966-2-1:1999); values outside are clipped."""
    value = np.clip(np.asarray(encoded, dtype=np.float64), 0.0, 1.0)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(linear: ArrayLike, /) -> FloatArray:
    """Return sRGB values 0 to 1 for relative light 0 to 1 (IEC 61966-2-1:1999), clipped to that."""
    value = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1.0 / 2.4) - 0.055)


@dataclass(frozen=True)
class TransferFunction:
    """How one panel turns codes into light.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    gamma : float
        Exponent of `power`: linear = encoded ** gamma, 0.2 to 5. Not used by the other kinds.
    table : tuple of float
        For `table`: relative light at equally spaced codes from the lowest to the highest; at least two
        values, never falling, from 0 or more up to 1 exactly.

    Raises
    ------
    ShapeError
        The kind is unknown, or gamma or the table is outside what it accepts.
    """

    kind: str = "srgb"
    gamma: float = 2.2
    table: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ShapeError(
                f"encoding is {self.kind!r}; expected one of {', '.join(KINDS)}."
                f"{nearest_name(str(self.kind), KINDS)}"
            )
        if self.kind == "power":
            require_range(self.gamma, "gamma", 0.2, 5.0)
        if self.kind == "table":
            self._check_table()

    def _check_table(self) -> None:
        light = np.asarray(self.table, dtype=np.float64)
        if light.ndim != 1 or not 2 <= light.size <= 65536:
            raise ShapeError(
                f"encoding table has shape {light.shape}; expected 2 to 65536 values of relative light."
            )
        wrong = np.flatnonzero(~(np.diff(light) >= 0.0))
        if wrong.size:
            raise ShapeError(
                f"encoding table falls or is not a number after entry {wrong[0]} ({light[wrong[0]]:g} then "
                f"{light[wrong[0] + 1]:g}); light must never fall as the code rises. Measure it again."
            )
        if light[0] < 0.0 or light[-1] != 1.0:
            raise ShapeError(
                f"encoding table runs from {light[0]:g} to {light[-1]:g}; expected 0 or more up to 1. "
                "Divide all values by the last."
            )

    def linear_from_encoded(self, encoded: ArrayLike, /) -> FloatArray:
        """Return relative light (...) for encoded values (...), 0 to 1; values outside are clipped."""
        if self.kind == "srgb":
            return linear_from_srgb(encoded)
        value = np.clip(np.asarray(encoded, dtype=np.float64), 0.0, 1.0)
        if self.kind == "power":
            return value**self.gamma
        # The last piece ends at 1 but for rounding; full drive is exactly 1.
        return np.where(value < 1.0, np.clip(self._measured(value), self.table[0], 1.0), 1.0)

    def encoded_from_linear(self, linear: ArrayLike, /) -> FloatArray:
        """Return encoded values (...), 0 to 1, for relative light (...), clipped to what the panel has."""
        if self.kind == "srgb":
            return srgb_from_linear(linear)
        value = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
        if self.kind == "power":
            return value ** (1.0 / self.gamma)
        return self._inverse_of_measured(value)

    @cached_property
    def _measured(self) -> "PchipInterpolator":
        """Monotone cubic through the levels: Fritsch, Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300."""
        # Slow to import; nothing but a measured table asks for it.
        from scipy.interpolate import PchipInterpolator

        return PchipInterpolator(np.linspace(0.0, 1.0, len(self.table)), self.table)

    def _inverse_of_measured(self, light: FloatArray) -> FloatArray:
        """Return encoded values (...) of the measured table: Newton's method, in the piece with the light.

        Where the table is flat several codes give one light: the highest of them is returned, from which the
        next step starts.
        """
        table = np.asarray(self.table)
        flat = light.ravel()
        last = len(table) - 1
        piece = np.clip(np.searchsorted(table, flat, side="right") - 1, 0, last - 1)
        low, high = piece / last, (piece + 1) / last
        rise = table[piece + 1] - table[piece]
        place = low + (flat - table[piece]) / np.where(rise > 0.0, rise, 1.0) / last
        slope = self._measured.derivative()
        for _ in range(_INVERSE_STEPS):
            error = self._measured(place) - flat
            low, high = np.where(error <= 0.0, place, low), np.where(error <= 0.0, high, place)
            steep = slope(place)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                step = place - error / steep
            inside = (step > low) & (step < high)
            following = np.where(inside, step, 0.5 * (low + high))
            following = np.where(np.abs(error) <= _INVERSE_TOLERANCE * 0.01, place, following)
            moved = np.max(np.abs(following - place), initial=0.0)
            place = following
            if moved <= _INVERSE_TOLERANCE:
                break
        place = np.where(flat >= 1.0, 1.0, np.where(flat < table[0], 0.0, place))
        return place.reshape(light.shape)

    def linear_of_codes(self, bit_depth: int, /) -> FloatArray:
        """Return the light of every code of a panel with `bit_depth` bits, shape (2 ** bit_depth,)."""
        largest = largest_code(bit_depth)
        return self.linear_from_encoded(np.arange(largest + 1) / largest)


def largest_code(bit_depth: int, /) -> int:
    """Return 2 ** bit_depth - 1 for 1 to 16 bits."""
    return (1 << int(require_range(bit_depth, "bit_depth", 1, 16, unit="bits"))) - 1


@dataclass(frozen=True)
class Quantiser:
    """Rounds light to the nearest code of a panel, fast and exact.

    The code of a light is the number of thresholds at or below it; threshold k is the light half-way, in
    encoded values, between codes k - 1 and k. A direct table gives the code at the lower end of a small cell
    of light, and one comparison with the next threshold finishes (a search is used where a cell holds several
    thresholds).
    """

    transfer: TransferFunction
    bit_depth: int = 8

    @cached_property
    def thresholds(self) -> NDArray[np.float32]:
        """Light at which the code rises to 1, 2, ..., largest; shape (largest,)."""
        largest = largest_code(self.bit_depth)
        return self.transfer.linear_from_encoded((np.arange(largest) + 0.5) / largest).astype(np.float32)

    @cached_property
    def _direct(self) -> tuple[NDArray[np.uint16], NDArray[np.float32], bool]:
        starts = np.arange(_CELLS, dtype=np.float32) / np.float32(_CELLS - 1)
        lower = np.searchsorted(self.thresholds, starts, side="right").astype(np.uint16)
        upper = np.append(self.thresholds, np.float32(np.inf))
        return lower, upper, bool(np.max(np.diff(lower.astype(np.int32))) <= 1)

    def code_from_linear(self, linear: NDArray[np.floating], /) -> NDArray[np.unsignedinteger]:
        """Return codes (...), uint8 up to 8 bits, else uint16, for relative light (...), clipped."""
        kind = np.uint8 if self.bit_depth <= 8 else np.uint16
        light = np.clip(linear, 0.0, 1.0, dtype=np.float32)
        lower, upper, single = self._direct
        code: NDArray[np.integer]
        if not single:
            code = np.searchsorted(self.thresholds, light, side="right")
            return code.astype(kind)
        # The cell is found by cutting, so its start is at or below the light; rounding may be one cell low,
        # where the comparison still decides rightly because no cell holds more than one threshold.
        code = lower.take((light * np.float32(_CELLS - 1)).astype(np.int64))
        codes: NDArray[np.unsignedinteger] = (code + (light >= upper.take(code))).astype(kind)
        return codes
