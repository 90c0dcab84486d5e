"""How the pupil moves, synthetic or recorded: pure functions of time, so that a film is repeatable.

- `circle`: once around the eye box every `CIRCLE_SECONDS`.
- `fixations`: the eye looks here and there, and jumps between (saccades). The pupil is carried about the
  eye's centre of rotation, so it also draws back from the optics as the eye turns.
- `slip`: the whole device creeps on the head, slowly.
- `recorded`: positions from a file, joined by straight lines, from the start again at the end.
"""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Protocol

import numpy as np

from prewarp.budget.eye import EyeMotion, EyePath, eye_path
from prewarp.checks import FloatArray
from prewarp.columns import PUPIL_COLUMNS, Schema, read_columns
from prewarp.errors import InputFileError
from prewarp.files import MEBIBYTE

CIRCLE_SECONDS = 8.0
SLIP_SECONDS = 60.0
_FIXATIONS = 2000
_SHARE_OF_BOX = 0.85
_LIMIT_BYTES = 64 * MEBIBYTE
_SCHEMA = Schema(what="a recorded eye motion (CSV)", text=(), numbers=("time_s", *PUPIL_COLUMNS), optional=())


class Motion(Protocol):
    """A motion of the pupil."""

    def at(self, time_s: float, /) -> FloatArray:
        """Return the pupil position (3,), mm from the eye-box centre."""


@dataclass(frozen=True)
class Circle:
    """Once around the eye box, at `_SHARE_OF_BOX` of its half sizes (3,), mm."""

    half_mm: tuple[float, float, float]

    def at(self, time_s: float, /) -> FloatArray:
        """See `Motion.at`."""
        angle = 2.0 * np.pi * time_s / CIRCLE_SECONDS
        x, y = _SHARE_OF_BOX * np.array(self.half_mm[:2])
        return np.array([x * np.cos(angle), y * np.sin(angle), 0.0])


@dataclass(frozen=True)
class Slip:
    """The device creeps: three slow waves of unlike periods, the slowest `SLIP_SECONDS`."""

    half_mm: tuple[float, float, float]

    def at(self, time_s: float, /) -> FloatArray:
        """See `Motion.at`."""
        turn = 2.0 * np.pi * time_s / SLIP_SECONDS
        waves = np.array([np.sin(turn), np.sin(1.618 * turn + 1.0) - np.sin(1.0), np.sin(2.3 * turn)])
        place: FloatArray = 0.5 * _SHARE_OF_BOX * waves * np.array(self.half_mm)
        return place


@dataclass(frozen=True)
class Fixations:
    """The eye looks about: fixations and saccades of `prewarp.budget`, the pupil kept in the box."""

    half_mm: tuple[float, float, float]
    seed: int = 1

    @cached_property
    def _path(self) -> EyePath:
        usual = EyeMotion()
        share = _SHARE_OF_BOX * np.array(self.half_mm[:2]) / np.array(usual.lever_mm)
        most = np.degrees(np.arcsin(np.clip(share, 0.0, 0.7)))
        motion = EyeMotion(
            saccades="reflexive",
            gaze_limit_deg=tuple(np.minimum(most, usual.gaze_limit_deg).tolist()),
            slip_sd_mm=(0.0, 0.0, 0.0),
        )
        return eye_path(motion, np.random.default_rng(self.seed), count=_FIXATIONS)

    def at(self, time_s: float, /) -> FloatArray:
        """See `Motion.at`."""
        return self._path.pupil_mm(np.array([time_s % self._path.length_s]))[:, 0]


@dataclass(frozen=True)
class Recorded:
    """Positions (n, 3), mm, at rising times (n,), s."""

    time_s: FloatArray
    pupil_mm: FloatArray

    @property
    def seconds(self) -> float:
        """How long the recording is."""
        return float(self.time_s[-1] - self.time_s[0])

    def at(self, time_s: float, /) -> FloatArray:
        """See `Motion.at`."""
        time = self.time_s[0] + (time_s % self.seconds if self.seconds > 0.0 else 0.0)
        return np.array([np.interp(time, self.time_s, self.pupil_mm[:, axis]) for axis in range(3)])


def read_motion(path: Path, /) -> Recorded:
    """Read a recorded motion: CSV with columns `time_s, eye_x_mm, eye_y_mm, eye_z_mm`, times rising.

    Raises
    ------
    InputFileError, GridError
        The file is missing or damaged, a column is missing, a cell is no number, or time does not rise.
    """
    columns = read_columns(path, schema=_SCHEMA, limit_bytes=_LIMIT_BYTES, with_arrays=False)
    row, time, pupil = columns.row, columns.numbers["time_s"], columns.stacked(PUPIL_COLUMNS)
    if len(time) < 2:
        raise InputFileError(f"{path}: {len(time)} positions; a motion needs at least 2.", path=str(path))
    finite = np.isfinite(time) & np.isfinite(pupil).all(axis=1)
    if not finite.all():
        raise InputFileError(
            f"{path}, row {row[np.argmin(finite)]}: a number is missing. Delete the row.", path=str(path)
        )
    falls = np.flatnonzero(np.diff(time) <= 0.0)
    if falls.size:
        raise InputFileError(
            f"{path}, row {row[falls[0] + 1]}: time_s is {time[falls[0] + 1]:g} after {time[falls[0]]:g}; "
            "times must rise. Sort the rows.",
            path=str(path),
        )
    if np.abs(pupil).max() > 100.0:
        raise InputFileError(
            f"{path}: positions reach {np.abs(pupil).max():g} mm; expected mm from the eye-box centre, "
            "at most 100.",
            path=str(path),
        )
    return Recorded(time, pupil)


SYNTHETIC = {"circle": Circle, "fixations": Fixations, "slip": Slip}
