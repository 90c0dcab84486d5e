"""The marks of a capture's targets: where each dot is on its panel, how large, and its name in time."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.codes import FRAMES, WEIGHT, is_name, words_of_texts
from prewarp.capture.tables import Column, read_table, refuse_doubles, write_table
from prewarp.checks import BoolArray, FloatArray, IntArray, StringArray
from prewarp.errors import CaptureError
from prewarp.files import MEBIBYTE
from prewarp.records import Name, Number
from prewarp.records.rules import Rule

COLUMNS = ("channel", "mark", "panel_u_px", "panel_v_px", "radius_px", "code")
LIMIT_BYTES = 16 * MEBIBYTE
_PLACE = Number(0.0, 32768.0, "px")


@dataclass(frozen=True)
class CodeText:
    """A name in time: 13 characters 0 or 1, six of them 1."""

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return f"{FRAMES} characters 0 or 1, {WEIGHT} of them 1 (as text: spreadsheets drop a leading 0)"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the text and "", or None and the reason."""
        return (value, "") if isinstance(value, str) and is_name(value) else (None, " (not a code)")


_RULES: tuple[Rule, ...] = (
    Name(),
    Number(0, 100_000, whole=True),
    _PLACE,
    _PLACE,
    Number(0.25, 1000.0, "px"),
    CodeText(),
)


@dataclass(frozen=True, eq=False)
class Marks:
    """Marks of all channels; row i of every array is one mark.

    Parameters
    ----------
    channel : (n,) str array
        Channel whose panel shows the mark.
    mark : (n,) int array
        Its number, from 0, in each channel.
    panel_px : (n, 2) float array
        Centroid of its light on the panel as written, u and v, px; the first pixel's centre is (0.5, 0.5).
    radius_px : (n,) float array
        Its radius, px.
    code : tuple of str
        13 characters, 1 where the mark is lit in that code frame.
    row : tuple of int
        Rows in the file, for messages.

    Raises
    ------
    CaptureError
        Lengths differ; a channel has a number or a code twice.
    """

    channel: StringArray
    mark: IntArray
    panel_px: FloatArray
    radius_px: FloatArray
    code: tuple[str, ...]
    row: tuple[int, ...] = ()
    source: str = "memory"

    def __post_init__(self) -> None:
        count = len(self.code)
        shapes = [np.shape(one) for one in (self.channel, self.mark, self.radius_px, self.panel_px)]
        if shapes != [(count,)] * 3 + [(count, 2)] or count == 0:
            raise CaptureError(f"{self.source}: marks have shapes {shapes}; expected {count} of each.")
        if not self.row:
            object.__setattr__(self, "row", tuple(range(2, count + 2)))
        channels, marks = self.channel.tolist(), self.mark.tolist()
        refuse_doubles(
            self.source,
            self.row,
            list(zip(channels, marks, strict=True)),
            lambda index: f"mark {marks[index]} of channel {channels[index]}",
        )
        refuse_doubles(
            self.source,
            self.row,
            list(zip(channels, self.code, strict=True)),
            lambda index: f"code {self.code[index]} of channel {channels[index]}",
        )

    def __len__(self) -> int:
        return len(self.code)

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels with marks, in the order of appearance."""
        return tuple(dict.fromkeys(self.channel.tolist()))

    @property
    def lit(self) -> BoolArray:
        """Whether each mark is lit in each code frame, (n, 13)."""
        return words_of_texts(self.code)

    def of(self, channel: str, /) -> "Marks":
        """Return the marks of one channel.

        Raises
        ------
        CaptureError
            It has none.
        """
        keep = np.flatnonzero(self.channel == channel)
        if len(keep) == 0:
            raise CaptureError(
                f"{self.source}: no marks of channel '{channel}'; there are {', '.join(self.channels)}.",
                path=self.source,
                channel=channel,
            )
        return Marks(
            self.channel[keep],
            self.mark[keep],
            self.panel_px[keep],
            self.radius_px[keep],
            tuple(self.code[index] for index in keep),
            tuple(self.row[index] for index in keep),
            self.source,
        )


def read_marks(path: Path | str, /) -> Marks:
    """Read marks (CSV); columns in any order, others are passed over.

    Raises
    ------
    InputFileError
        The file is missing, empty or too large.
    CaptureError
        A column or cell is wrong, or a mark stands twice; names file, row and mend.
    """
    path = Path(path)
    columns = [Column(name, rule) for name, rule in zip(COLUMNS, _RULES, strict=True)]
    found = read_table(path, columns, what="a table of marks", limit_bytes=LIMIT_BYTES)
    values = {name: [one[name] for _, one in found] for name in COLUMNS}
    return Marks(
        np.array(values["channel"]),
        np.array(values["mark"]),
        np.array([values["panel_u_px"], values["panel_v_px"]], dtype=np.float64).T,
        np.array(values["radius_px"], dtype=np.float64),
        tuple(values["code"]),
        tuple(row for row, _ in found),
        str(path),
    )


def write_marks(marks: Marks, path: Path | str, /) -> None:
    """Write marks as CSV; the same marks give the same bytes."""
    u, v = marks.panel_px.T.tolist()
    columns = (marks.channel.tolist(), marks.mark.tolist(), u, v, marks.radius_px.tolist(), marks.code)
    write_table(Path(path), COLUMNS, list(zip(*columns, strict=True)))
