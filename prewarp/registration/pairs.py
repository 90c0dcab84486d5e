"""Seam pairs: panel points of two channels that one pupil sees in one direction, or a known step apart."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray, finite_rows
from prewarp.columns import PUPIL_COLUMNS, Schema, read_columns, row_list
from prewarp.errors import GridError
from prewarp.files import MEBIBYTE

POINT_COLUMNS = (("panel_a_u_px", "panel_a_v_px"), ("panel_b_u_px", "panel_b_v_px"))
STEP_COLUMNS = ("step_x_arcmin", "step_y_arcmin")
SCHEMA = Schema(
    "a table of seam pairs",
    ("channel_a", "channel_b", "color"),
    (*PUPIL_COLUMNS, *POINT_COLUMNS[0], *POINT_COLUMNS[1]),
    (*STEP_COLUMNS, "sigma_arcmin"),
)
LIMIT_BYTES = 64 * MEBIBYTE
LARGEST_STEP_ARCMIN = 600.0


@dataclass(frozen=True, eq=False)
class SeamPairs:
    """Seam pairs; row i of every array is pair i.

    Parameters
    ----------
    channel_a, channel_b, colour : (n,) arrays of str
        The two channels, and the colour in which both points were shown.
    pupil_mm : (n, 3) float array
        Where the camera's or the eye's pupil was, mm from the eye-box centre.
    pixel_a, pixel_b : (n, 2) float arrays
        The panel point in each channel, px.
    step_arcmin : (n, 2) float array
        Measured step from a's picture to b's, to the right and up; 0 where the two were brought together.
    sigma_arcmin : (n,) float array
        Standard uncertainty per axis; relative sizes count.
    row : (n,) int array
        Row in the file, for messages.
    source, sha256 : str
        File name and hash.

    Raises
    ------
    GridError
        A value is not finite, a step is absurd, or a pair joins a channel with itself; names the rows.
    """

    channel_a: np.ndarray
    channel_b: np.ndarray
    colour: np.ndarray
    pupil_mm: FloatArray
    pixel_a: FloatArray
    pixel_b: FloatArray
    step_arcmin: FloatArray
    sigma_arcmin: FloatArray
    row: IntArray
    source: str = "memory"
    sha256: str = ""

    def __post_init__(self) -> None:
        numbers = np.column_stack(
            [self.pupil_mm, self.pixel_a, self.pixel_b, self.step_arcmin, self.sigma_arcmin]
        )
        far = np.any(np.abs(self.step_arcmin) > LARGEST_STEP_ARCMIN, axis=1)
        for bad, text in (
            (
                ~finite_rows(numbers),
                "a value is missing or not finite. Fill it in or delete the row.",
            ),
            (~(self.sigma_arcmin > 0.0), "sigma_arcmin is not positive. Correct it or delete the row."),
            (far, f"a step is beyond {LARGEST_STEP_ARCMIN:g} arcmin. Is the unit arcmin?"),
            (
                self.channel_a == self.channel_b,
                "channel_a and channel_b are one. Name the two channels of the pair.",
            ),
        ):
            self.refuse(bad, text)

    def __len__(self) -> int:
        return len(self.row)

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of all channels that a pair has, in order of appearance."""
        return tuple(dict.fromkeys(np.stack([self.channel_a, self.channel_b], axis=1).ravel().tolist()))

    def refuse(self, bad: BoolArray, text: str, /) -> None:
        """Raise `GridError` with the rows where `bad` (n,) is True; nothing where there are none."""
        if bad.any():
            rows = self.row[bad]
            raise GridError(
                f"{self.source}, {row_list(rows.tolist())}: {text}",
                path=self.source,
                row=int(rows[0]),
                rows=rows.tolist(),
            )

    def require_on_panels(self, sizes: dict[str, tuple[int, int]], colours: tuple[str, ...], /) -> None:
        """Raise `GridError` for a channel or colour that the fit has not, or a point off its panel."""
        for name, known, column in (
            *((name, tuple(sizes), "channel") for name in self.channels),
            *((name, colours, "color") for name in dict.fromkeys(self.colour.tolist())),
        ):
            if name not in known:
                uses = (
                    self.colour == name
                    if column == "color"
                    else (self.channel_a == name) | (self.channel_b == name)
                )
                self.refuse(
                    uses, f"{column} is '{name}', which is not in the fit; it has {', '.join(known)}."
                )
        for channels, pixel in ((self.channel_a, self.pixel_a), (self.channel_b, self.pixel_b)):
            size = np.array([sizes[name] for name in channels.tolist()], dtype=float)
            outside = np.any((pixel < 0.0) | (pixel > size), axis=1)
            self.refuse(
                outside, "a panel point lies off its panel. Check the columns' order and the panel's size."
            )


def read_pairs(path: Path | str, /) -> SeamPairs:
    """Read seam pairs from CSV, gzip-compressed CSV or NPZ; the content decides, not the suffix.

    Columns in any order: `channel_a, channel_b, color, eye_x_mm, eye_y_mm, eye_z_mm, panel_a_u_px,
    panel_a_v_px, panel_b_u_px, panel_b_v_px`; optional `step_x_arcmin, step_y_arcmin` (0 where left out) and
    `sigma_arcmin` (all alike).

    Raises
    ------
    InputFileError
        Missing, empty, too large or damaged file.
    GridError
        A column missing or misspelt; cells that are no numbers; rows that cannot be pairs.
    """
    path = Path(path)
    columns = read_columns(path, schema=SCHEMA, limit_bytes=LIMIT_BYTES)
    names = [np.asarray(known)[codes] for codes, known in (columns.texts[name] for name in SCHEMA.text)]
    nothing = np.zeros(len(columns.row))
    return SeamPairs(
        channel_a=names[0],
        channel_b=names[1],
        colour=names[2],
        pupil_mm=columns.stacked(PUPIL_COLUMNS),
        pixel_a=columns.stacked(POINT_COLUMNS[0]),
        pixel_b=columns.stacked(POINT_COLUMNS[1]),
        step_arcmin=np.stack([columns.numbers.get(name, nothing) for name in STEP_COLUMNS], axis=1),
        sigma_arcmin=columns.numbers.get("sigma_arcmin", nothing + 1.0),
        row=columns.row,
        source=str(path),
        sha256=columns.sha256,
    )
