"""What a package says of every row of a capture, and how far what was seen lies off it.

The package's own bytes are evaluated as a device does (`prewarp.lookup.device`): panel point and pupil
position to direction.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.frames import arcmin_between, arcmin_step
from prewarp.grids import Grid
from prewarp.lookup import Lookup
from prewarp.lookup.device import PreparedMap
from prewarp.lookup.device_light import PreparedLight
from prewarp.poses.shots import shot_codes

# Rows this far outside the tables' eye box are not judged: there a device takes the nearest position inside.
OUTSIDE_MM = 0.01
# Slopes of tables are differences over so many px either way, and so many mm toward the middle.
_STEP_PX, _STEP_MM = 8.0, 0.25


@dataclass(frozen=True, eq=False)
class Deviations:
    """The rows of one channel and colour, and how far they lie off the package.

    Parameters
    ----------
    channel, colour : str
    row : (n,) int array
        Rows in the file.
    pixel, tangent : (n, 2) float arrays
        Panel points, px, and the directions in which they were seen.
    said : (n, 2) float array
        The directions in which the package says that they are seen.
    pupil_mm : (n, 3) float array
    shot : (n,) int array
        Equal for rows of one shot (`Capture.shots_mm`).
    step_arcmin : (n, 2) float array
        From the direction that the package says to the one seen: right and up.
    px_per_arcmin : (n, 2, 2) float array
        Panel px (u, v) per arcmin (right, up).
    per_mm : (n, 2, 3) float array
        Move of the package's direction per mm of pupil, arcmin.
    sigma_px : (n,) float array or None
        As the capture states it.
    luminance, gain : (n,) float arrays or None
        Measured relative luminance; the package's gain for the row.
    """

    channel: str
    colour: str
    row: IntArray
    pixel: FloatArray
    tangent: FloatArray
    said: FloatArray
    pupil_mm: FloatArray
    shot: IntArray
    step_arcmin: FloatArray
    px_per_arcmin: FloatArray
    per_mm: FloatArray
    sigma_px: FloatArray | None
    luminance: FloatArray | None
    gain: FloatArray | None

    def __len__(self) -> int:
        return len(self.row)

    @property
    def step_px(self) -> FloatArray:
        """The same in panel px (n, 2)."""
        return np.asarray(np.einsum("nij,nj->ni", self.px_per_arcmin, self.step_arcmin))

    @property
    def arcmin_per_px(self) -> FloatArray:
        """Size of a panel px as seen, arcmin (n,): root of its area."""
        return np.asarray(1.0 / np.sqrt(np.abs(np.linalg.det(self.px_per_arcmin))))

    def less(self, removed_arcmin: FloatArray, /) -> "Deviations":
        """Return it with steps (n, 2), arcmin, taken off."""
        return replace(self, step_arcmin=self.step_arcmin - removed_arcmin)


@dataclass(frozen=True, eq=False)
class Capture:
    """A capture held against a package.

    `groups`: by channel and colour, those that have rows; `shots_mm` (s, 3): pupil positions of the shots;
    `outside_box`, `not_finite`: rows that are not judged.
    """

    groups: tuple[Deviations, ...]
    shots_mm: FloatArray
    outside_box: int
    not_finite: int


def held_against(grid: Grid, lookup: Lookup, /) -> Capture:
    """Hold every row of a grid against a lookup; rows are of its channels and colours.

    Shots are told apart by the column `pose` where there is one, else by their pupil positions.

    Raises
    ------
    GridError
        A row without a pose, or a pose with more than one pupil position; names the rows.
    """
    finite = grid.finite
    low, high = np.asarray(lookup.pupil_box_mm, dtype=float)
    with np.errstate(invalid="ignore"):
        inside = np.all((grid.pupil_mm >= low - OUTSIDE_MM) & (grid.pupil_mm <= high + OUTSIDE_MM), axis=1)
    index = np.flatnonzero(finite & inside)
    _, first, shot = shot_codes(grid, index)
    shots = grid.pupil_mm[index[first]]
    groups: dict[tuple[str, str], list[Deviations]] = {}
    order = np.argsort(shot, kind="stable")
    starts = np.searchsorted(shot[order], np.arange(len(shots) + 1))
    for number, place in enumerate(shots):
        rows = np.sort(index[order[starts[number] : starts[number + 1]]])
        light = PreparedLight(lookup, place)
        moved = _moved(lookup, place)
        for channel, colour in lookup_pairs(lookup):
            mine = rows[_of(grid, rows, channel, colour)]
            if len(mine):
                found = _shot(grid, mine, lookup, light, moved, (channel, colour), number)
                groups.setdefault((channel, colour), []).append(found)
    return Capture(
        tuple(_joined(groups[key]) for key in lookup_pairs(lookup) if key in groups),
        shots,
        int(np.count_nonzero(finite & ~inside)),
        int(np.count_nonzero(~finite)),
    )


def lookup_pairs(lookup: Lookup, /) -> tuple[tuple[str, str], ...]:
    """Return the channels and colours of a lookup's maps, in the order of its names."""
    keys = {lookup.key_of(table) for table in lookup.maps}
    return tuple((a, b) for a in lookup.channels for b in lookup.colours if (a, b) in keys)


def _of(grid: Grid, rows: IntArray, channel: str, colour: str) -> BoolArray:
    if channel not in grid.channel_names or colour not in grid.colour_names:
        return np.zeros(len(rows), dtype=bool)
    mine = grid.channel[rows] == grid.channel_names.index(channel)
    return np.asarray(mine & (grid.colour[rows] == grid.colour_names.index(colour)))


def _moved(lookup: Lookup, place: FloatArray) -> list[tuple[PreparedLight, float] | None]:
    """Return the tables a little toward the middle along each axis, and the move, mm."""
    low, high = np.asarray(lookup.pupil_box_mm, dtype=float)
    found: list[tuple[PreparedLight, float] | None] = []
    for axis in range(3):
        length = min(_STEP_MM, 0.5 * float(high[axis] - low[axis]))
        if length <= 0.0:
            found.append(None)
            continue
        step = -length if place[axis] > 0.5 * (low[axis] + high[axis]) else length
        found.append((PreparedLight(lookup, place + step * np.eye(3)[axis]), step))
    return found


def _shot(
    grid: Grid,
    rows: IntArray,
    lookup: Lookup,
    light: PreparedLight,
    moved: list[tuple[PreparedLight, float] | None],
    key: tuple[str, str],
    number: int,
) -> Deviations:
    place = lookup.map_index(*key)
    own, pixel, seen = light.maps[place], grid.pixel[rows], grid.tangent[rows]
    steps = _STEP_PX * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    said, *around = _direction(own, pixel + steps[:, None])
    columns = [arcmin_step(around[k + 1], around[k]) / (2.0 * _STEP_PX) for k in (0, 2)]
    slope = np.stack(columns, axis=-1)
    per_mm = np.zeros((len(rows), 2, 3))
    for axis, one in enumerate(moved):
        if one is not None:
            per_mm[:, :, axis] = arcmin_step(said, _direction(one[0].maps[place], pixel)) / one[1]
    return Deviations(
        key[0],
        key[1],
        grid.row[rows],
        pixel,
        seen,
        said,
        grid.pupil_mm[rows],
        np.full(len(rows), number),
        _step(said, seen),
        np.asarray(np.linalg.inv(slope), dtype=float),
        per_mm,
        None if grid.sigma_px is None else grid.sigma_px[rows],
        None if grid.luminance is None else grid.luminance[rows],
        light.gain(place, pixel, seen).astype(float) if lookup.gains else None,
    )


def _step(said: FloatArray, seen: FloatArray) -> FloatArray:
    """Return the step (n, 2) in arcmin; exact in length for large ones too."""
    step = arcmin_step(said, seen)
    length, true = np.linalg.norm(step, axis=1), arcmin_between(said, seen)
    return np.asarray(step * (true / np.where(length > 0.0, length, 1.0))[:, None])


def _direction(own: PreparedMap, pixel: FloatArray) -> FloatArray:
    return own.direction_from_panel(pixel).astype(float)


def _joined(parts: list[Deviations]) -> Deviations:
    first = parts[0]
    joined: dict[str, Any] = {
        name: np.concatenate([getattr(one, name) for one in parts])
        for name in _COLUMNS
        if getattr(first, name) is not None
    }
    return replace(first, **joined)


_COLUMNS = (
    "row", "pixel", "tangent", "said", "pupil_mm", "shot", "step_arcmin", "px_per_arcmin", "per_mm",
    "sigma_px", "luminance", "gain",
)  # fmt: skip
