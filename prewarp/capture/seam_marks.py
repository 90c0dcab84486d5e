"""Dots by which channels are paired: each pair is seen in one direction, if an earlier fit is right.

From one pose each channel's dots are photographed in turn; how far the two dots of a pair lie apart in the
photographs is the step that `prewarp register` takes beside the two panel points.
"""

from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.schedule import reference_colour
from prewarp.capture.tables import Column, read_table, write_table
from prewarp.checks import FloatArray
from prewarp.errors import CaptureError
from prewarp.field import Field, FieldSet
from prewarp.files import MEBIBYTE
from prewarp.module import DisplayModule
from prewarp.records import Name, Number
from prewarp.records.rules import Rule

COLUMNS = (
    "step",
    "pair",
    "channel_a",
    "channel_b",
    "color",
    "panel_a_u_px",
    "panel_a_v_px",
    "panel_b_u_px",
    "panel_b_v_px",
    "radius_px",
)
LIMIT_BYTES = 16 * MEBIBYTE
_COUNT, _PLACE = Number(0, 100_000, whole=True), Number(0.0, 32768.0, "px")
_RULES: tuple[Rule, ...] = (
    _COUNT, _COUNT, Name(), Name(), Name(), _PLACE, _PLACE, _PLACE, _PLACE, Number(0.25, 1000.0, "px"),
)  # fmt: skip
MOST_PAIRS = 24
_NODES = 41
# Dots of one picture are told apart by place alone, and stand off borders of what is lit.
_APART, _OFF_BORDER = 8.0, 3.0


@dataclass(frozen=True, eq=False)
class SeamMarks:
    """Pairs (n) of dots of two channels: `pixel_a`, `pixel_b` (n, 2) px on half px; `radius_px` of all."""

    channels: tuple[str, str]
    colour: str
    pixel_a: FloatArray
    pixel_b: FloatArray
    radius_px: float

    def of(self, channel: str, /) -> FloatArray:
        """Return the places (n, 2) of a channel's dots, px."""
        return self.pixel_a if channel == self.channels[0] else self.pixel_b


def seam_marks(module: DisplayModule, fields: FieldSet, /, *, radius_px: float) -> list[SeamMarks]:
    """Return pairs of dots for every two channels of an eye that overlap, from the middle of the eye box."""
    colour = reference_colour(fields.colours)
    found = []
    for eye in module.eyes:
        names = [channel.name for channel in module.channels_of(eye)]
        for a, b in combinations(names, 2):
            one = _pairs(fields.field(a, colour), fields.field(b, colour), radius_px)
            if one is not None:
                found.append(SeamMarks((a, b), colour, *one, radius_px))
    return found


def _pairs(first: Field, second: Field, radius: float) -> tuple[FloatArray, FloatArray] | None:
    """Return panel points of two fields, spread over what both show; None where that is nothing."""
    axes = [np.linspace(0.0, length, _NODES) for length in first.panel_size_px]
    pixel_a = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    pupil = np.zeros(3)
    pixel_a = pixel_a[first.depth_px(pixel_a, pupil_mm=pupil) > _OFF_BORDER * radius]
    result = second.inverse(first.forward(pixel_a, pupil_mm=pupil), pupil_mm=pupil)
    pixel_a, pixel_b = pixel_a[result.valid], result.pixel[result.valid]
    deep = second.depth_px(pixel_b, pupil_mm=pupil) > _OFF_BORDER * radius
    pixel_a, pixel_b = (np.round(2.0 * one[deep]) / 2.0 for one in (pixel_a, pixel_b))
    if len(pixel_a) == 0:
        return None
    both = np.concatenate([pixel_a, pixel_b], axis=1)
    distance = np.linalg.norm(both - both.mean(axis=0), axis=1)
    taken: list[int] = [int(np.argmax(distance))]
    apart = _apart(both, taken[0])
    while len(taken) < MOST_PAIRS and apart.max() >= _APART * radius:
        taken.append(int(np.argmax(apart)))
        apart = np.minimum(apart, _apart(both, taken[-1]))
    order = np.sort(taken)
    return pixel_a[order], pixel_b[order]


def _apart(both: FloatArray, index: int) -> FloatArray:
    """Return how far pairs lie from one of them, px, on the panel where they are nearer."""
    step = both - both[index]
    apart: FloatArray = np.minimum(np.linalg.norm(step[:, :2], axis=1), np.linalg.norm(step[:, 2:], axis=1))
    return apart


def read_seam_marks(path: Path, /) -> dict[int, SeamMarks]:
    """Read pairs as `write_seam_marks` writes them, by step.

    Raises
    ------
    InputFileError
        The file is missing, empty or too large.
    CaptureError
        A column or cell is wrong, or rows of one step differ in channels, colour or radius.
    """
    columns = [Column(name, rule) for name, rule in zip(COLUMNS, _RULES, strict=True)]
    steps: dict[int, list[tuple[int, dict[str, Any]]]] = {}
    for row, values in read_table(path, columns, what="a table of seam dots", limit_bytes=LIMIT_BYTES):
        steps.setdefault(values["step"], []).append((row, values))
    found = {}
    for step, rows in steps.items():
        _, first = rows[0]
        same = ("channel_a", "channel_b", "color", "radius_px")
        for row, values in rows:
            if any(values[name] != first[name] for name in same):
                raise CaptureError(
                    f"{path}, row {row}: step {step} has other channels, colour or radius than in its first "
                    "row. Give each step one picture a channel.",
                    path=str(path),
                    row=row,
                )
        pixel_a, pixel_b = (
            np.array(
                [[values[f"panel_{which}_{axis}_px"] for axis in "uv"] for _, values in rows], dtype=float
            )
            for which in "ab"
        )
        channels = (first["channel_a"], first["channel_b"])
        found[step] = SeamMarks(channels, first["color"], pixel_a, pixel_b, float(first["radius_px"]))
    return found


def write_seam_marks(marks: list[SeamMarks], path: Path, /) -> None:
    """Write pairs as CSV; without pupils and steps, which are measured: `register` refuses it as it is."""
    rows = [
        [step, pair, *one.channels, one.colour, *a, *b, one.radius_px]
        for step, one in enumerate(marks)
        for pair, (a, b) in enumerate(zip(one.pixel_a.tolist(), one.pixel_b.tolist(), strict=True))
    ]
    write_table(path, COLUMNS, rows)
