"""Shifted sines of a plan: what each of its steps shows, and the one panel place that two phases name.

Stripes of two whole periods without a common divisor, each shifted in even steps over a period, along u and
along v. A phase says where in its period a place lies; both together name one place on the panel (the
Chinese remainder theorem).
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from math import gcd
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.errors import CaptureError
from prewarp.files import MEBIBYTE, read_bytes
from prewarp.records import Number, Numbers, checked, validate

LIMIT_BYTES = 16 * MEBIBYTE
# Fewer shifts than unknowns of a sine, and one more, say nothing of how well it is one.
LEAST_SHIFTS = 4


@dataclass(frozen=True)
class Sines:
    """Sines of one panel: `panel_px` width and height, two `periods_px`, `shifts` of each.

    Raises
    ------
    CaptureError
        A value is not what its field accepts, the periods have a common divisor, or both together do not name
        every place of the panel.
    """

    panel_px: tuple[int, ...] = checked(Numbers(Number(16, 32768, "px", whole=True), 2, 2))
    periods_px: tuple[int, ...] = checked(Numbers(Number(4, 4096, "px", whole=True), 2, 2, increasing=True))
    shifts: int = checked(Number(LEAST_SHIFTS, 64, whole=True))

    def __post_init__(self) -> None:
        validate(self, CaptureError)
        first, second = self.periods_px
        if gcd(first, second) != 1 or first * second < max(self.panel_px):
            raise CaptureError(
                f"sine periods of {first} and {second} px do not name every place of {max(self.panel_px)} "
                "px; expected two without a common divisor, whose product is at least that. Write the "
                "targets again."
            )

    @property
    def steps(self) -> int:
        """How many pictures there are."""
        return 4 * self.shifts

    def of_step(self, step: int, /) -> tuple[int, int, float]:
        """Return axis (0: u, 1: v), which period (0 or 1) and shift, in periods, of a step of the plan."""
        axis, rest = divmod(step, 2 * self.shifts)
        period, shift = divmod(rest, self.shifts)
        return axis, period, shift / self.shifts

    def place(self, first: FloatArray, second: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Return the places (...) on the panel, px, that lie `first` (...) px in the first period and
        `second` in the other, and how far both are from agreeing, px.

        The place is that of `first`; the two agree where they differ by a whole number of px, which names the
        period by the Chinese remainder theorem: m p = -(first - second) mod q.
        """
        p, q = self.periods_px
        first, second = np.mod(first, p), np.mod(second, q)
        whole = np.rint(first - second)
        number: IntArray = np.mod(-whole.astype(np.int64) * pow(p, -1, q), q)
        return first + p * number, first - second - whole

    def is_on_panel(self, place: FloatArray, axis: int, /) -> BoolArray:
        """Return whether places (...), px, lie on the panel."""
        inside: BoolArray = (place >= 0.0) & (place <= self.panel_px[axis])
        return inside


def read_sines(path: Path, /) -> dict[str, Sines]:
    """Return the sines of each channel that a targets' summary (targets.json) tells of; {} where there are
    none.

    Raises
    ------
    InputFileError
        The file is missing, empty or too large.
    CaptureError
        It is no summary of targets, or tells of sines that name no place.
    """
    data = read_bytes(path, limit_bytes=LIMIT_BYTES, what="a summary of targets (JSON)")
    try:
        told: Any = json.loads(data)
        channels: Mapping[str, Any] = told["channels"]
        found = {
            name: Sines(tuple(one["panel_px"]), tuple(one["sine_periods_px"]), one["sine_phases"])
            for name, one in channels.items()
            if one["sine_periods_px"] is not None
        }
    except CaptureError as cause:
        raise CaptureError(f"{path}: {cause}", path=str(path)) from cause
    # A file from elsewhere may hold anything.
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as cause:
        raise CaptureError(
            f"{path}: no summary of targets with sine_periods_px and sine_phases of each channel; write the "
            "targets again, or take photographs of sines out of the plan.",
            path=str(path),
        ) from cause
    return found
