"""The shots of a capture: which rows of a grid one camera position took, and where its label puts it."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray, extent
from prewarp.columns import row_list
from prewarp.errors import FitError, GridError
from prewarp.fitting.pupil import PupilFrame
from prewarp.grids import Grid
from prewarp.pupils.shown import position_keys

POSE_COLUMN = "pose"
# How the camera was turned at a shot, where the file says it: about y (yaw), x (pitch) and z (roll).
CAMERA_COLUMNS = ("yaw_deg", "pitch_deg", "roll_deg")
# Least ratio of the smallest to the largest singular value of a pupil basis that counts as decided.
_RANK_LIMIT = 1e-2
# A field of a lower pupil degree takes what it lacks for turns of the camera, by arcminutes.
LEAST_PUPIL_DEGREE, MOST_PUPIL_DEGREE = 4, 6
# What a unit differs by from a known map is small, and so is what its higher degrees are taken for.
LEAST_DIFFERENCE_DEGREE, MOST_DIFFERENCE_DEGREE = 2, 3
# Six numbers are found for a shot; fewer rows than this say little of them.
LEAST_ROWS = 12


@dataclass(frozen=True)
class Shots:
    """Shots of a grid. `names` (k) as in the file; `label_mm` (k, 3) pupils as labelled; `of_row` (n,) the
    shot of each row, -1 where a row is not finite; `camera_deg` (k, 3) yaw, pitch, roll, or None where the
    file does not say.
    """

    names: tuple[str, ...]
    label_mm: FloatArray
    of_row: IntArray
    camera_deg: FloatArray | None

    def __len__(self) -> int:
        return len(self.names)

    def pupil_degree(self, most: int = MOST_PUPIL_DEGREE, /, *, only: IntArray | None = None) -> int:
        """Return the highest degree in (x, y) that the labels can decide, at most `most`; of some shots where
        `only` (s,) numbers them.
        """
        (low_x, low_y), (high_x, high_y) = extent(self.label_mm[:, :2])
        place = self.label_mm[:, :2] if only is None else self.label_mm[only, :2]
        frame = PupilFrame(
            ((low_x + high_x) / 2.0, (low_y + high_y) / 2.0),
            (max((high_x - low_x) / 2.0, 0.5), max((high_y - low_y) / 2.0, 0.5)),
        )
        degree = 0
        while degree < most:
            basis = frame.values(place, degree + 1)
            size = np.linalg.svd(basis, compute_uv=False)
            if len(basis) > len(place) or size[-1] < _RANK_LIMIT * size[0]:
                break
            degree += 1
        return degree


def shots_of(grid: Grid, /, *, with_base: bool = False) -> Shots:
    """Return the shots of a grid: its column `pose` where there is one, else the distinct pupil labels.

    `with_base`: they are to tell the difference to a known map, which fewer positions show.

    Raises
    ------
    GridError
        A row without a pose, or a pose with more than one pupil label; names the rows.
    FitError
        A shot with too few rows, or too few pupil positions for poses to be told from the field.
    """
    finite = np.flatnonzero(grid.finite)
    if len(finite) == 0:
        raise FitError(f"{grid.source}: no row is finite; poses need rows that are.")
    for name in grid.extra:
        if name != POSE_COLUMN and name.strip().lower() in (POSE_COLUMN, "poses"):
            raise GridError(
                f"{grid.source}: column '{name}'; expected '{POSE_COLUMN}'. Rename it.",
                path=grid.source,
                column=name,
            )
    names, first, shot = shot_codes(grid, finite)
    of_row = np.full(len(grid), -1)
    of_row[finite] = shot
    label_mm = grid.pupil_mm[finite][first]
    counts = np.bincount(shot)
    for name, count in zip(names, counts, strict=True):
        if count < LEAST_ROWS:
            raise FitError(
                f"{grid.source}: shot {name} has {count} finite rows; expected at least {LEAST_ROWS} for its "
                "pose. Measure more points there, or leave the shot out."
            )
    shots = Shots(names, label_mm, of_row, _camera_turns(grid, finite[first]))
    degree = shots.pupil_degree()
    least = LEAST_DIFFERENCE_DEGREE if with_base else LEAST_PUPIL_DEGREE
    if degree < least:
        # Of a gradient: the wavefront's terms up to degree m + 1, without the constant.
        terms = (least + 2) * (least + 3) // 2 - 1
        mend = (
            "Capture 8 pupil positions or more, spread over the eye box and z alternating by +-2 mm"
            if with_base
            else "Capture 5 x 5 pupil positions or more, z alternating by +-2 mm, give an earlier fit or "
            "that of the design's trace as --base"
        )
        raise FitError(
            f"{grid.source}: {len(shots)} shots give {2 * len(shots)} numbers a dot, enough for "
            f"pupil degree {degree}; free poses need degree {least}, {terms} numbers a dot, or "
            f"what the field lacks would be taken for turns of the camera. {mend}, or fit without "
            "--poses free.",
            pupil_degree=degree,
        )
    return shots


def shot_codes(grid: Grid, finite: IntArray, /) -> tuple[tuple[str, ...], IntArray, IntArray]:
    """Return names, the place in `finite` (n,) of each shot's first row, and the shot of each finite row.

    Shots are told apart by the column `pose` where there is one, else by their pupil labels.

    Raises
    ------
    GridError
        A row without a pose, or a pose with more than one pupil label; names the rows.
    """
    if POSE_COLUMN in grid.extra:
        return _named_shots(grid, finite)
    label = grid.pupil_mm[finite]
    _, first, shot = np.unique(position_keys(label), return_index=True, return_inverse=True)
    names = tuple(f"at ({', '.join(f'{value + 0.0:g}' for value in place)}) mm" for place in label[first])
    return names, first, shot


def _named_shots(grid: Grid, finite: IntArray) -> tuple[tuple[str, ...], IntArray, IntArray]:
    """Return names, the place in `finite` of each shot's first row, and the shot of each finite row."""
    pose = grid.extra[POSE_COLUMN]
    empty = np.isnan(pose) if pose.dtype.kind == "f" else np.char.strip(pose.astype(str)) == ""
    if empty.any():
        rows = grid.row[empty]
        raise GridError(
            f"{grid.source}, {row_list(rows)}: no pose; expected the name or number of the shot. "
            "Fill it in, or remove the column.",
            path=grid.source,
            row=int(rows[0]),
            column=POSE_COLUMN,
        )
    values, first, shot = np.unique(pose[finite], return_index=True, return_inverse=True)
    off = np.abs(grid.pupil_mm[finite] - grid.pupil_mm[finite][first][shot]).max(axis=1) > 1e-6
    if off.any():
        rows = grid.row[finite[off]]
        raise GridError(
            f"{grid.source}, {row_list(rows)}: another pupil position than the first row of pose "
            f"{values[shot[off][0]]} has; expected one position a pose. Give each shot a pose of its own.",
            path=grid.source,
            row=int(rows[0]),
            column=POSE_COLUMN,
        )
    names = tuple(f"{one:g}" if pose.dtype.kind == "f" else str(one) for one in values)
    return names, first, shot


def _camera_turns(grid: Grid, first: IntArray) -> FloatArray | None:
    """Return yaw, pitch and roll (k, 3), degrees, of the shots' first rows, where the file has numbers."""
    if not any(name in grid.extra for name in CAMERA_COLUMNS):
        return None
    turns = np.zeros((len(first), 3))
    for axis, name in enumerate(CAMERA_COLUMNS):
        column = grid.extra.get(name)
        if column is not None and column.dtype.kind in "iuf":
            turns[:, axis] = column[first]
    return turns if np.isfinite(turns).all() else None
