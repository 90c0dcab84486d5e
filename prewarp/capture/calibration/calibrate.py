"""A camera from photographs of a board: marks found and named, the camera that sees them, what is open."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.calibration.board import DOTS, Board
from prewarp.capture.calibration.bundle import Bundle, adjusted
from prewarp.capture.calibration.corners import find_corners
from prewarp.capture.calibration.dots import find_dots, of_like_size
from prewarp.capture.calibration.entrance import Entrance, Stage, entrance_of
from prewarp.capture.calibration.lattice import ordered_lattice
from prewarp.capture.calibration.levels import Levels, ValueCount
from prewarp.capture.camera import Camera, CameraSigma, pose_rotation
from prewarp.capture.image_files import read_photograph
from prewarp.capture.tables import Column, read_table
from prewarp.checks import FloatArray
from prewarp.errors import CaptureError, InputFileError
from prewarp.files import MEBIBYTE
from prewarp.memory import PROGRAM_BYTES
from prewarp.records import Number, Text

# Fewer photographs leave focal length, centre and distance mixed up, or hang on one of them.
LEAST_PHOTOGRAPHS = 3
_STAGE_COLUMNS = ("eye_x_mm", "eye_y_mm", "eye_z_mm", "yaw_deg", "pitch_deg", "roll_deg")
Step = Callable[[str, int], None]
# By measurement: a pixel of the one photograph whose marks are looked for; a number of the Jacobian of all
# photographs.
_DOT_BYTES, _CORNER_BYTES, _SLOPE_BYTES = 32, 75, 116


@dataclass(frozen=True)
class Found:
    """Marks of a board in one photograph: `pixel` (marks, 2) px in the board's order, and the `radius_mm` of
    its dots, 0 for corners.
    """

    pixel: FloatArray
    radius_mm: float


@dataclass(frozen=True)
class Calibration:
    """A camera found, and from what.

    `files` used, `refused` (file, reason); `bundle` the adjustment; `entrance` and `levels` where they show;
    `not_known` by key of the camera file, what it needs.
    """

    camera: Camera
    files: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]
    bundle: Bundle
    levels: Levels
    entrance: Entrance | None
    not_known: tuple[tuple[str, str], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines; units are in the keys."""
        camera, sigma = self.camera, self.camera.sigma
        names = [field.name for field in fields(sigma)]
        missing = dict(self.not_known)
        kept = self.bundle.kept
        return {
            "width_px": camera.width_px,
            "height_px": camera.height_px,
            **{name: None if name in missing else _plain(getattr(camera, name)) for name in names},
            "shift_bits": camera.shift_bits,
            "sigma": {name: _plain(getattr(sigma, name)) for name in names},
            "not_known": missing,
            "noise_px": self.bundle.sigma_px,
            "marks": int(kept.sum()),
            "outliers": int(kept.size - kept.sum()),
            "photographs": [
                {"file": file, "rms_px": float(rms)}
                for file, rms in zip(self.files, self.bundle.rms_px, strict=True)
            ],
            "refused": [{"file": file, "reason": reason} for file, reason in self.refused],
            "entrance_beside_axis_mm": None if self.entrance is None else self.entrance.place_mm[:2].tolist(),
            "stage_misfit": None if self.entrance is None else self.entrance.misfit,
        }


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def find_board(light: FloatArray, board: Board, /) -> Found | str:
    """Return the marks of a whole board in a photograph (height, width), or why there are none."""
    if board.kind != DOTS:
        place = find_corners(light)
        order = ordered_lattice(place, board.count)
        return _missing(len(place), board) if order is None else Found(place[order], 0.0)
    most = 0
    for dark in (True, False):
        spots = find_dots(light, dark=dark)
        alike = of_like_size(spots)
        most = max(most, len(alike))
        order = ordered_lattice(spots.place[alike], board.count)
        if order is not None:
            rows = alike[order]
            place = spots.place[rows]
            steps = np.diff(place.reshape(board.count[1], board.count[0], 2), axis=1)
            px_per_mm = float(np.median(np.hypot(steps[..., 0], steps[..., 1]))) / board.pitch_mm
            return Found(place, float(np.median(spots.radius_px[rows])) / px_per_mm)
    return _missing(most, board)


def _missing(count: int, board: Board) -> str:
    what = "dots" if board.kind == DOTS else "corners"
    return (
        f"{count} {what} found, no whole lattice of {board.count[0]} x {board.count[1]}. Show the whole "
        "board, sharp and evenly lit, or correct --count."
    )


def calibrate_camera(
    photographs: Sequence[Path],
    board: Board,
    /,
    *,
    dark: Sequence[Path] = (),
    stage_table: Path | None = None,
    stage_sigma_mm: float = 0.02,
    stage_sigma_arcmin: float = 0.5,
    coefficients: int = 5,
    walk: bool = False,
    aperture_mm: float | None = None,
    progress: Step | None = None,
) -> Calibration:
    """Find a camera from photographs of a flat board.

    Parameters
    ----------
    photographs, dark : sequences of Path
        Files of one camera; dark frames show black alone.
    board : Board
        What they show.
    stage_table : Path, optional
        Table with `file` and the six columns of a pose, such as a plan: the board stood still, the camera
        there.
    stage_sigma_mm, stage_sigma_arcmin : float
        How sure the stage is, each axis.
    coefficients : int
        Numbers of the distortion.
    walk : bool
        Also find how the entrance pupil walks with the field.
    aperture_mm : float, optional
        Diameter of the entrance pupil: no photograph of a board shows it.

    Raises
    ------
    CaptureError
        Photographs of different sizes, too few with a whole board, or a camera that they do not determine.
    InputFileError
        A dark frame or the table cannot be read. A photograph that cannot is refused and named.
    """
    counted = ValueCount()
    found: list[tuple[Path, Found]] = []
    refused: list[tuple[str, str]] = []
    size: tuple[int, int] | None = None
    for done, path in enumerate(photographs, 1):
        try:
            values = read_photograph(path, size_px=size)
        except (InputFileError, CaptureError) as cause:
            refused.append((path.name, str(cause)))
            continue
        size = (values.shape[1], values.shape[0])
        counted.add(values)
        marks = find_board(values.astype(np.float64), board)
        if isinstance(marks, str):
            refused.append((path.name, marks))
        else:
            found.append((path, marks))
        if progress is not None:
            progress(path.name, done)
    for path in dark:
        counted.add_dark(read_photograph(path, size_px=size))
    if size is None or len(found) < LEAST_PHOTOGRAPHS:
        why = f" {refused[0][0]}: {refused[0][1]}" if refused else ""
        raise CaptureError(
            f"{len(found)} of {len(photographs)} photographs show a whole board; a camera needs "
            f"{LEAST_PHOTOGRAPHS} at least, better 15.{why}"
        )
    bundle = adjusted(
        board.places_mm,
        np.array([marks.pixel for _, marks in found]),
        size,
        coefficients=coefficients,
        radius_mm=float(np.median([marks.radius_mm for _, marks in found])),
        walk=walk,
    )
    stage = None
    if stage_table is not None:
        stage = _stage(stage_table, [path for path, _ in found], stage_sigma_mm, stage_sigma_arcmin)
    entrance = None if stage is None else entrance_of(bundle, stage)
    levels = counted.levels()
    camera = _camera(size, bundle, levels, entrance, aperture_mm)
    return Calibration(
        camera,
        tuple(path.name for path, _ in found),
        tuple(refused),
        bundle,
        levels,
        entrance,
        tuple(_not_known(camera, levels, stage is not None).items()),
    )


def calibration_bytes(
    size_px: tuple[int, int], photographs: int, board: Board, /, *, coefficients: int, walk: bool
) -> float:
    """Return how much memory `calibrate_camera` takes for photographs of a size, bytes."""
    pixel = (_DOT_BYTES if board.kind == DOTS else _CORNER_BYTES) * size_px[0] * size_px[1]
    numbers = 2 * board.marks * photographs * (10 + coefficients + (1 if walk else 0))
    return PROGRAM_BYTES + max(pixel, _SLOPE_BYTES * numbers)


def _camera(
    size: tuple[int, int],
    bundle: Bundle,
    levels: Levels,
    entrance: Entrance | None,
    aperture_mm: float | None,
) -> Camera:
    lens, sigma = bundle.lens, bundle.lens_sigma
    fx, fy = lens.focal_px.tolist()
    cx, cy = lens.centre_px.tolist()
    return Camera(
        *size,
        (fx, fy),
        (cx, cy),
        tuple(lens.distortion.tolist()),
        aperture_mm=aperture_mm,
        entrance_mm=None if entrance is None else float(entrance.place_mm[2]),
        walk_mm=float(lens.walk_mm[0]) if len(lens.walk_mm) else None,
        black=0.0 if levels.black is None else levels.black,
        full_scale=levels.full_scale,
        shift_bits=levels.shift_bits,
        sigma=CameraSigma(
            focal_px=(float(sigma.focal_px[0]), float(sigma.focal_px[1])),
            centre_px=(float(sigma.centre_px[0]), float(sigma.centre_px[1])),
            distortion=tuple(sigma.distortion.tolist()),
            entrance_mm=None if entrance is None else float(entrance.sigma_mm[2]),
            walk_mm=float(sigma.walk_mm[0]) if len(sigma.walk_mm) else None,
            black=levels.black_sigma,
            full_scale=0.0 if levels.full_scale_shown else None,
        ),
    )


def _not_known(camera: Camera, levels: Levels, with_stage: bool) -> dict[str, str]:
    """Return what the photographs leave open, by key, and what it needs."""
    found = {}
    if camera.aperture_mm is None:
        found["aperture_mm"] = "needs --aperture (the entrance pupil's diameter: focal length over f-number)"
    if camera.entrance_mm is None:
        found["entrance_mm"] = (
            "needs turned shots: some with the stage turned by 10 degrees or more"
            if with_stage
            else "needs turned shots: a board that stands still, and --plan with the stage's places and turns"
        )
    if camera.walk_mm is None:
        found["walk_mm"] = "needs --walk, and the board near and far"
    if levels.black is None:
        found["black"] = "needs dark frames (--dark); 0 is written"
    if not levels.full_scale_shown:
        found["full_scale"] = f"needs a photograph with saturated pixels; {levels.full_scale:g} is written"
    return found


def _stage(table: Path, files: Sequence[Path], sigma_mm: float, sigma_arcmin: float) -> Stage:
    columns = [Column("file", Text(300)), *(Column(name, Number(-1e4, 1e4)) for name in _STAGE_COLUMNS)]
    rows = read_table(table, columns, what="a table of stage places", limit_bytes=64 * MEBIBYTE)
    by_name = {Path(str(values["file"])).name: values for _, values in rows}
    missing = [path.name for path in files if path.name not in by_name]
    if missing:
        raise CaptureError(
            f"{table}: no row for {missing[0]} and {len(missing) - 1} more. Add them, or leave the files "
            "out.",
            path=str(table),
        )
    numbers = np.array([[by_name[path.name][name] for name in _STAGE_COLUMNS] for path in files], dtype=float)
    return Stage(numbers[:, :3], pose_rotation(*numbers[:, 3:].T), sigma_mm, sigma_arcmin)
