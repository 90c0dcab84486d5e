"""One pose of a camera: its photographs to rows of a grid, with what is told of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.camera import Camera, pose_rotation, turned_by
from prewarp.capture.extract.codeless import measure_by_place, measure_one_frame
from prewarp.capture.extract.dark import dark_level
from prewarp.capture.extract.dense import Dense, dense_points
from prewarp.capture.extract.flats import flat_figures, ramp_figures
from prewarp.capture.extract.frames import CODE, WHOLE, Frame, PanelMarks, Sensor
from prewarp.capture.extract.measure import FOUND, Measured
from prewarp.capture.extract.quality import view_findings
from prewarp.capture.extract.seams import NO_PAIRS, Pairs, seam_pairs
from prewarp.capture.extract.view import View, measure_view
from prewarp.capture.image_files import read_photograph
from prewarp.capture.marks import Marks
from prewarp.capture.paths import path_inside
from prewarp.capture.plan import Photograph
from prewarp.capture.seam_marks import SeamMarks
from prewarp.capture.sines import Sines
from prewarp.checks import FloatArray, IntArray, StringArray

ONE, FLAT, RAMP, SEAM, DARK, SINE = "one", "flat", "ramp", "seam", "dark", "sine"
KINDS_READ = (WHOLE, CODE, ONE, FLAT, RAMP, SEAM, DARK, SINE)
# Of points that are no dots but read from sines.
NO_MARK = -1
# Ghosts below are not told from neighbours' blur.
_LEAST_GHOST = 0.002


@dataclass(frozen=True, eq=False)
class PoseTask:
    """What a worker needs for one pose of one camera; small enough to be sent to another process.

    `name`: that of the pose, with the camera's where several see it. `sines`: of each channel that has some;
    `dense`: into how many parts they cut the distance of dots, 1 only compares them with dots, 0 leaves them.
    """

    name: str
    pose: str
    rows: tuple[Photograph, ...]
    marks: Marks
    camera: Camera
    folder: Path
    seams: Mapping[int, SeamMarks] = field(default_factory=dict)
    sines: Mapping[str, Sines] = field(default_factory=dict)
    dense: int = 2


@dataclass(frozen=True, eq=False)
class Rows:
    """Dots that were measured; row i of every array is one dot.

    `spread` (n, 3): second moments xx, xy, yy of what blurs the dot, px^2 of the photograph; NaN of points
    between dots.
    """

    channel: StringArray
    colour: StringArray
    mark: IntArray
    place: FloatArray
    tangent: FloatArray
    panel: FloatArray
    luminance: FloatArray
    sigma_px: FloatArray
    ghost: FloatArray
    spread: FloatArray

    def __len__(self) -> int:
        return len(self.mark)


@dataclass(frozen=True, eq=False)
class PoseResult:
    """What one pose gave. `refused` lists dots by reason per view; `refused_views` says why whole views do
    not
    count; `figures` are for the report; `pupil_mm` (3,) and `walk_mm` (n,): how much further ahead along the
    camera's axis its pupil lay for each row.
    """

    name: str
    pose: str
    pupil_mm: FloatArray
    turn_deg: tuple[float, float, float]
    rows: Rows
    walk_mm: FloatArray
    findings: list[str]
    refused_views: dict[str, str]
    figures: dict[str, Any]
    refused: list[dict[str, Any]] = field(default_factory=list)
    pairs: Pairs = NO_PAIRS


def extract_pose(task: PoseTask, /) -> PoseResult:
    """Measure all views of a pose. What cannot be read or trusted is told of; nothing is raised for it."""
    findings: list[str] = []
    sensor = Sensor(task.camera.black, task.camera.full_scale, task.camera.shift_bits)
    sensor, dark = dark_level(_of(task, kind=DARK), lambda row: _values(task, row), sensor, findings)
    parts, refused_views, refused, views = [], {}, [], {}
    measured_views: dict[tuple[str, str], View] = {}
    all_marks = {channel: panel_marks(task.marks, channel) for channel in task.marks.channels}
    for channel in dict.fromkeys(row.channel for row in task.rows if row.channel):
        marks = all_marks[channel]
        others = {name: one for name, one in all_marks.items() if name != channel}
        coded: View | None = None
        for colour in _colours_codes_first(task, channel):
            own = _of(task, channel=channel, colour=colour)
            frames = [_frame(task, row) for row in own if row.kind in (WHOLE, CODE, ONE)]
            if not frames:
                continue
            if any(row.kind == ONE for row in own):
                # Coded dots of the same colour would have other places and sizes than these marks.
                view = measure_one_frame(frames, marks, sensor, others)
            elif any(one.kind == CODE for one in frames):
                view = measure_view(frames, marks, sensor, others)
                coded = view if view.measured is not None else coded
            else:
                view = measure_by_place(frames, marks, sensor, coded)
            label = f"{channel} {colour}"
            where = f"pose {task.pose}, {label}"
            findings += [f"{where}: {one}" for one in view.findings]
            if view.measured is None:
                refused_views[label] = view.refused
                findings.append(f"{where}: refused. {view.refused}")
                views[label] = {"refused": view.refused, **view.figures}
                continue
            flat = flat_figures(
                _of(task, channel=channel, colour=colour, kind=FLAT),
                lambda row: _values(task, row),
                sensor,
                view.measured,
                findings,
            )
            longest = max(one.exposure_ms for one in frames)
            luminance = flat.light if flat.light is not None else view.measured.light / longest
            told, figures = view_findings(view, marks, longest)
            findings += [f"{where}: {one}" for one in told]
            figures |= flat.figures
            figures |= ramp_figures(
                _of(task, channel=channel, colour=colour, kind=RAMP),
                lambda row: _values(task, row),
                sensor,
                view.measured,
                findings,
            )
            views[label] = figures
            measured_views[channel, colour] = view
            whole = sensor.full_scale - sensor.black
            parts.append(_rows(task, view, marks, channel, colour, luminance / whole))
            shifted = _of(task, channel=channel, colour=colour, kind=SINE)
            if shifted and channel in task.sines and task.dense:
                dense = dense_points(
                    shifted,
                    lambda row: _values(task, row),
                    sensor,
                    task.sines[channel],
                    view,
                    marks,
                    task.dense,
                )
                figures["sines"] = dense.figures
                findings += [f"{where}: {one}" for one in dense.findings]
                parts.append(_rows_between(task, dense, channel, colour, whole))
            refused += _refused(view, marks, channel, colour)
    pairs = seam_pairs(
        _of(task, kind=SEAM),
        task.seams,
        measured_views,
        all_marks,
        task.camera,
        sensor,
        lambda row: _frame(task, row),
        findings,
    )
    rows = Rows(
        *(
            np.concatenate([getattr(one, name) for one in parts]) if parts else _EMPTY[name]
            for name in Rows.__dataclass_fields__
        )
    )
    first = task.rows[0]
    rotation = pose_rotation(*first.turn_deg)
    entrance = task.camera.entrance_mm or 0.0
    return PoseResult(
        name=task.name,
        pose=task.pose,
        pupil_mm=first.pupil_mm + rotation[:, 2] * entrance,
        turn_deg=first.turn_deg,
        rows=rows,
        walk_mm=task.camera.entrance_from_tangent(task.camera.tangent(rows.place)) - entrance,
        findings=findings,
        refused_views=refused_views,
        figures={"views": views, "dark": dark},
        refused=refused,
        pairs=pairs,
    )


_EMPTY = {
    "channel": np.zeros(0, dtype="<U1"),
    "colour": np.zeros(0, dtype="<U1"),
    "mark": np.zeros(0, dtype=np.int64),
    **{name: np.zeros((0, 2)) for name in ("place", "tangent", "panel")},
    "spread": np.zeros((0, 3)),
    **{name: np.zeros(0) for name in ("luminance", "sigma_px", "ghost")},
}


def panel_marks(marks: Marks, channel: str, /) -> PanelMarks:
    """Return the marks of one channel as the steps of extraction have them."""
    own = marks.of(channel)
    return PanelMarks(own.mark, own.panel_px, own.radius_px, own.lit)


def _of(task: PoseTask, **wanted: object) -> list[Photograph]:
    return [row for row in task.rows if all(getattr(row, name) == value for name, value in wanted.items())]


def _colours_codes_first(task: PoseTask, channel: str) -> list[str]:
    """Return a channel's colours; those with code frames first, since they name the dots of the others."""
    own = _of(task, channel=channel)
    colours = list(dict.fromkeys(row.colour for row in own))
    coded = {row.colour for row in own if row.kind == CODE}
    return sorted(colours, key=lambda one: one not in coded)


def _values(task: PoseTask, row: Photograph) -> np.ndarray:
    camera = task.camera
    highest = camera.full_scale * (1 << camera.shift_bits)
    return read_photograph(path_inside(task.folder, row.file), size_px=camera.size_px, highest=highest)


def _frame(task: PoseTask, row: Photograph) -> Frame:
    # One-frame marks and seam dots are all lit, as dots are in whole frames.
    kind = WHOLE if row.kind in (ONE, SEAM) else row.kind
    return Frame(kind, row.step, row.exposure_ms, row.file, lambda: _values(task, row))


def _rows(
    task: PoseTask, view: View, marks: PanelMarks, channel: str, colour: str, luminance: FloatArray
) -> Rows:
    measured = view.measured
    assert measured is not None
    place = measured.place
    tangent = turned_by(task.camera.tangent(place), pose_rotation(*task.rows[0].turn_deg))
    lens = task.camera.light_share(task.camera.tangent(place))
    luminance = luminance if lens is None else luminance / lens
    good = np.flatnonzero((measured.state == FOUND) & np.isfinite(tangent).all(axis=1))
    count = len(good)
    return Rows(
        channel=np.full(count, channel),
        colour=np.full(count, colour),
        mark=marks.number[view.mark[good]],
        place=place[good],
        tangent=tangent[good],
        panel=marks.panel[view.mark[good]],
        luminance=luminance[good],
        sigma_px=panel_sigma(measured)[good],
        ghost=ghost_of_dots(view, len(marks))[view.mark[good]],
        spread=measured.spread[good],
    )


def _rows_between(task: PoseTask, dense: Dense, channel: str, colour: str, whole: float) -> Rows:
    """Return the rows of points that sines show; `whole`: codes from black to full scale."""
    direction = task.camera.tangent(dense.place)
    tangent = turned_by(direction, pose_rotation(*task.rows[0].turn_deg))
    lens = task.camera.light_share(direction)
    light = dense.light / whole if lens is None else dense.light / whole / lens
    good = np.flatnonzero(np.isfinite(tangent).all(axis=1))
    return Rows(
        channel=np.full(len(good), channel),
        colour=np.full(len(good), colour),
        mark=np.full(len(good), NO_MARK),
        place=dense.place[good],
        tangent=tangent[good],
        panel=dense.panel[good],
        luminance=light[good],
        sigma_px=dense.sigma_px[good],
        ghost=np.full(len(good), np.nan),
        spread=np.full((len(good), 3), np.nan),
    )


def panel_sigma(measured: Measured, /) -> FloatArray:
    """Return the standard uncertainty of places by axis, panel px (n,), through the local map."""
    back = np.linalg.inv(measured.matrix)
    covariance = back @ measured.covariance @ back.transpose(0, 2, 1)
    sigma: FloatArray = np.sqrt(np.einsum("nii->n", covariance) / 2.0)
    return sigma


def ghost_of_dots(view: View, count: int, /) -> FloatArray:
    """Return the strongest ghost of each mark (m,), relative to its own light; NaN where none was seen."""
    ghost = np.full(count, np.nan)
    measured = view.measured
    if measured is None:
        return ghost
    light = np.full(count, np.nan)
    light[view.mark] = np.where(measured.state == FOUND, measured.light, np.nan)
    own = np.repeat(measured.light[:, None], measured.others.shape[1], axis=1)
    other = measured.others
    seen = other >= 0
    strength = np.where(seen, measured.other_share * own / light[np.maximum(other, 0)], np.nan)
    fine = seen & (strength > _LEAST_GHOST) & (strength < 1.0)
    np.fmax.at(ghost, other[fine], strength[fine])
    if view.ghosts is not None and len(view.ghosts.of):
        np.fmax.at(ghost, view.ghosts.of, view.ghosts.strength)
    return ghost


def _refused(view: View, marks: PanelMarks, channel: str, colour: str) -> list[dict[str, Any]]:
    measured = view.measured
    assert measured is not None
    bad = np.flatnonzero(measured.state != FOUND)
    return [
        {
            "channel": channel,
            "color": colour,
            "mark": int(marks.number[view.mark[k]]),
            "why": str(measured.state[k]),
            "x_px": round(float(measured.place[k, 0]), 2),
            "y_px": round(float(measured.place[k, 1]), 2),
        }
        for k in bad
    ]
