"""The plan of a capture: one row a photograph, in the order in which they are taken.

A *pose* is a place and turn of the camera, a *photograph* one exposure from it. A row shows one picture on
the panel of one channel; panels of all other channels are black. A picture holds codes in the panel's own
pixels, so panels that are mirrored or turned need nothing special: what the optics make of them is found.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.paths import RelativePath
from prewarp.capture.tables import Column, read_table, refuse_doubles, write_table
from prewarp.checks import FloatArray
from prewarp.errors import CaptureError
from prewarp.files import MEBIBYTE
from prewarp.records import Choice, Name, Number, checked, validate
from prewarp.records.rules import Rule

# whole: all dots. code: the dots whose name has a 1 in frame `step`. one: marks that name themselves. sine,
# flat, ramp: shifted sines, even light, levels of light. seam: dots to pair channels by. dark: all black.
KINDS = ("whole", "code", "one", "sine", "flat", "ramp", "seam", "dark")
LIMIT_BYTES = 64 * MEBIBYTE
# In a folder of targets: the plan and what stands beside it.
PLAN_NAME, MARKS_NAME, SEAM_NAME, SUMMARY_NAME = "plan.csv", "marks.csv", "seam.csv", "targets.json"
# From so many panel frames on, a part of a frame more or less no longer moves a dot.
MANY_FRAMES = 50.0
_SAME = 1e-9


@dataclass(frozen=True)
class EmptyOr:
    """What `rule` accepts, or an empty cell."""

    rule: Rule

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return f"nothing, or {self.rule.expected}"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the value and "", or None and the reason."""
        return ("", "") if value == "" else self.rule.accept(value)


@dataclass(frozen=True)
class Photograph:
    """One photograph to be taken.

    `channel`, `colour` and `picture` are empty in dark frames, where every panel is black. `step` numbers the
    frames of one kind: code frame 0 to 12; whole 0 first, 1 in the middle, 2 last. Pupil: mm from the eye-box
    centre, wearer's axes. Turns, degrees: yaw right, pitch up, roll counter-clockwise as the wearer sees.
    `panel_frames`: the exposure in frames of the panel, whole or at least 50. `file`: the photograph's name.

    Raises
    ------
    CaptureError
        A value is not what its field accepts.
    """

    order: int = checked(Number(0, 10_000_000, whole=True))
    pose: str = checked(Name())
    camera: str = checked(Name())
    channel: str = checked(EmptyOr(Name()))
    colour: str = checked(EmptyOr(Name()))
    kind: str = checked(Choice(KINDS))
    step: int = checked(Number(0, 100_000, whole=True))
    picture: str = checked(RelativePath(optional=True))
    eye_x_mm: float = checked(Number(-100.0, 100.0, "mm"))
    eye_y_mm: float = checked(Number(-100.0, 100.0, "mm"))
    eye_z_mm: float = checked(Number(-100.0, 100.0, "mm"))
    yaw_deg: float = checked(Number(-90.0, 90.0, "degrees"))
    pitch_deg: float = checked(Number(-90.0, 90.0, "degrees"))
    roll_deg: float = checked(Number(-180.0, 180.0, "degrees"))
    panel_frames: float = checked(Number(1.0, 1e6, "panel frames"))
    exposure_ms: float = checked(Number(1e-3, 1e6, "ms"))
    file: str = checked(RelativePath())

    def __post_init__(self) -> None:
        validate(self, CaptureError)
        if self.panel_frames < MANY_FRAMES and not float(self.panel_frames).is_integer():
            raise CaptureError(
                f"panel_frames is {self.panel_frames:g}; expected a whole number below {MANY_FRAMES:g}: part "
                "of a frame lights some lines once more than others.",
                key="panel_frames",
            )
        dark = self.kind == "dark"
        for name in ("channel", "colour", "picture"):
            if (getattr(self, name) == "") != dark:
                expected = "nothing in a dark frame" if dark else f"one in a frame of kind '{self.kind}'"
                raise CaptureError(f"{name} is {getattr(self, name)!r}; expected {expected}.", key=name)

    @property
    def pupil_mm(self) -> FloatArray:
        """Where the camera's entrance pupil is put, shape (3,), mm from the eye-box centre."""
        return np.array([self.eye_x_mm, self.eye_y_mm, self.eye_z_mm])

    @property
    def turn_deg(self) -> tuple[float, float, float]:
        """Yaw, pitch, roll of the camera, degrees."""
        return self.yaw_deg, self.pitch_deg, self.roll_deg

    @property
    def place(self) -> tuple[float, ...]:
        """Pupil and turn together: what all photographs of a pose share."""
        return (self.eye_x_mm, self.eye_y_mm, self.eye_z_mm, *self.turn_deg)


_FIELDS = {name: "color" if name == "colour" else name for name in Photograph.__dataclass_fields__}
COLUMNS = tuple(_FIELDS.values())


@dataclass(frozen=True)
class Plan:
    """Photographs in the order in which they are taken; `row` their rows in the file `source`.

    Raises
    ------
    CaptureError
        No photographs; `order` does not rise; two photographs have one file; a pose has two places.
    """

    photographs: tuple[Photograph, ...]
    row: tuple[int, ...] = ()
    source: str = "memory"

    def __post_init__(self) -> None:
        photographs = self.photographs
        if not photographs:
            raise CaptureError(f"{self.source}: no photographs. Plan the capture again.", path=self.source)
        if not self.row:
            object.__setattr__(self, "row", tuple(range(2, len(photographs) + 2)))
        for index in range(1, len(photographs)):
            before, after = photographs[index - 1].order, photographs[index].order
            if not after > before:
                raise CaptureError(
                    f"{self.source}, row {self.row[index]}: order is {after} after {before}; expected rows "
                    "in rising order. Sort the rows by order.",
                    path=self.source,
                    row=self.row[index],
                )
        # Some systems tell no capital from a small letter.
        refuse_doubles(
            self.source,
            self.row,
            [one.file.lower() for one in photographs],
            lambda index: f"file {photographs[index].file}",
        )
        self._require_one_place_a_pose()

    def _require_one_place_a_pose(self) -> None:
        first: dict[str, int] = {}
        for index, one in enumerate(self.photographs):
            earlier = first.setdefault(one.pose, index)
            other = self.photographs[earlier]
            if np.max(np.abs(np.subtract(one.place, other.place))) > _SAME:
                raise CaptureError(
                    f"{self.source}, row {self.row[index]}: pose {one.pose} is at another place or turn than "
                    f"in row {self.row[earlier]}. Give each place a pose of its own.",
                    path=self.source,
                    row=self.row[index],
                    column="pose",
                )

    def __len__(self) -> int:
        return len(self.photographs)

    @cached_property
    def poses(self) -> dict[str, Photograph]:
        """The first photograph of each pose, by pose, in the order in which they are taken."""
        found: dict[str, Photograph] = {}
        for one in self.photographs:
            found.setdefault(one.pose, one)
        return found

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that a photograph shows, in the order of appearance."""
        return tuple(dict.fromkeys(one.channel for one in self.photographs if one.channel))

    def select(self, **wanted: object) -> "tuple[Photograph, ...]":
        """Return the photographs whose fields have these values, for instance `select(kind="whole")`."""
        return tuple(
            one for one in self.photographs if all(getattr(one, name) == v for name, v in wanted.items())
        )


def plan_file_of(path: Path, /) -> Path:
    """Return the file of a plan that is named by itself or by its folder."""
    return path / PLAN_NAME if path.is_dir() else path


def read_plan(path: Path | str, /) -> Plan:
    """Read a capture's plan (CSV); columns in any order, others are passed over.

    Raises
    ------
    InputFileError
        The file is missing, empty or too large.
    CaptureError
        A column or cell is wrong, or rows contradict each other; names file, row and mend.
    """
    path = Path(path)
    columns = [
        Column(_FIELDS[name], field.metadata["rule"])
        for name, field in Photograph.__dataclass_fields__.items()
    ]
    photographs, rows = [], []
    for row, values in read_table(path, columns, what="a capture plan", limit_bytes=LIMIT_BYTES):
        try:
            photographs.append(Photograph(**{name: values[column] for name, column in _FIELDS.items()}))
        except CaptureError as cause:
            raise CaptureError(f"{path}, row {row}: {cause}", path=str(path), row=row) from cause
        rows.append(row)
    return Plan(tuple(photographs), tuple(rows), str(path))


def write_plan(plan: Plan, path: Path | str, /) -> None:
    """Write a plan as CSV; the same plan gives the same bytes."""
    write_table(Path(path), COLUMNS, rows_of(plan.photographs))


def rows_of(photographs: Sequence[Photograph], /) -> list[list[object]]:
    """Return the cells of photographs, in the order of `COLUMNS`."""
    return [[getattr(one, name) for name in _FIELDS] for one in photographs]
