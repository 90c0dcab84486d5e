"""The photographs of one view: one pose, camera, channel and colour, read one at a time."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from prewarp.capture.codes import FRAMES
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.errors import PrewarpError

WHOLE, CODE = "whole", "code"
_One = TypeVar("_One")


@dataclass(frozen=True)
class Frame:
    """A photograph: `kind` whole or code, `step` of the plan, exposure, and `read` its values (rows, columns)
    in codes above black, as they are; raises `CaptureError` or `InputFileError`.
    """

    kind: str
    step: int
    exposure_ms: float
    file: str
    read: Callable[[], np.ndarray]


def readable(
    items: Iterable[_One], read: Callable[[_One], np.ndarray], findings: list[str], /
) -> Iterator[tuple[_One, np.ndarray]]:
    """Yield photographs that can be read, each with its values; of others `findings` gets the reason.

    One photograph is held at a time, if the caller holds none.
    """
    for one in items:
        try:
            values = read(one)
        except PrewarpError as cause:
            findings.append(str(cause))
        else:
            yield one, values
            del values


@dataclass(frozen=True, eq=False)
class PanelMarks:
    """The dots of one channel: `number` (m,), `panel` (m, 2) px, `radius` (m,) px, `lit` (m, 13)."""

    number: IntArray
    panel: FloatArray
    radius: FloatArray
    lit: BoolArray

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True)
class Sensor:
    """How values become light: codes are values / 2^`shift_bits` above `black`; `full_scale` the highest."""

    black: float = 0.0
    full_scale: float = 65535.0
    shift_bits: int = 0

    def codes(self, values: np.ndarray) -> np.ndarray:
        """Return codes above black, float32."""
        codes = values.astype(np.float32)
        if self.shift_bits:
            codes *= np.float32(1.0 / (1 << self.shift_bits))
        codes -= np.float32(self.black)
        return codes

    @property
    def saturated(self) -> float:
        """Value of a file from which on a pixel counts as saturated."""
        return (self.full_scale - 0.5) * (1 << self.shift_bits)


def lit_in(frames: list[Frame], marks: PanelMarks) -> FloatArray:
    """Return the exposure (m, frames), the longest being 1, where a mark is lit in a frame, else 0."""
    exposure = relative_exposure(frames)
    columns = [
        np.ones(len(marks)) if one.kind == WHOLE else marks.lit[:, one.step].astype(float) for one in frames
    ]
    lit: FloatArray = np.stack(columns, axis=1) * exposure
    return lit


def relative_exposure(frames: list[Frame]) -> FloatArray:
    """Return exposures (frames,), the longest being 1."""
    exposure = np.array([one.exposure_ms for one in frames])
    result: FloatArray = exposure / exposure.max()
    return result


def code_columns(frames: list[Frame]) -> IntArray:
    """Return for each code step 0 to 12 the place of its frame, -1 where there is none.

    Of several exposures of a step the longest counts.
    """
    place = np.full(FRAMES, -1)
    for index, one in enumerate(frames):
        if one.kind == CODE and (
            place[one.step] < 0 or one.exposure_ms > frames[place[one.step]].exposure_ms
        ):
            place[one.step] = index
    return place
