"""The camera's pupil is finite: a centroid is the mean over it, not the chief ray; what that is, and
without it.

Over an aperture of diameter d the mean of a field t(x, y) is t + d^2/32 (t_xx + t_yy) + ..., 0.2 arcmin at
2 mm and more than an arcmin at 5 mm of strong optics, the same from every shot. The field of the grid itself
says how much (`aperture_mean`). In the same way a pupil that walks along the camera's axis with the direction
is brought to one place.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from prewarp.capture.camera import pose_rotation
from prewarp.capture.extract.aperture_mean import Through, chief_minus_mean
from prewarp.capture.extract.blur_focus import Blur
from prewarp.capture.extract.pose import PoseResult, PoseTask
from prewarp.checks import FloatArray
from prewarp.errors import PrewarpError
from prewarp.field import FieldSet
from prewarp.frames import unit_from_tangent
from prewarp.grids import Grid

REMOVE, KEEP = "remove", "keep"
# A quadric in the pupil has six terms: fewer positions do not show how directions bend over it.
LEAST_POSITIONS = 6
_ARCMIN_PER_RAD = 60.0 * 180.0 / np.pi


@dataclass(frozen=True)
class Aperture:
    """What was done about the aperture. `treatment` removed, kept or point; `words` say it to people."""

    treatment: str
    words: str
    diameter_mm: float | None
    rms_arcmin: float | None = None
    largest_arcmin: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "treatment": self.treatment,
            "words": self.words,
            "diameter_mm": self.diameter_mm,
            "rms_arcmin": self.rms_arcmin,
            "largest_arcmin": self.largest_arcmin,
        }


def treat_aperture(
    grid: Grid,
    tasks: Sequence[PoseTask],
    results: Sequence[PoseResult],
    choice: str,
    /,
    *,
    base: FieldSet | None = None,
) -> tuple[Grid, Aperture]:
    """Return the grid with the aperture's mean removed or kept, and what was done.

    `tasks`, `results`: the poses whose rows the grid holds, in the same order. `base`: an earlier fit, or one
    of the design's trace, that knows how directions bend over the pupil.
    """
    counts = [len(one.rows) for one in results]
    known = [task.camera.aperture_mm for task in tasks]
    diameter = np.repeat(np.array([np.nan if one is None else one for one in known]), counts)
    walk = np.concatenate([one.walk_mm for one in results])
    largest = None if np.isnan(diameter).any() else float(diameter.max())
    if largest is None:
        return grid, Aperture(
            "kept",
            "aperture not known: directions are means over the camera's pupil, and how far they "
            "are off its middle is not known: needs aperture_mm in the camera file.",
            None,
        )
    if largest == 0.0 and not np.any(walk):
        return grid, Aperture("point", "the camera's pupil is a point: directions are chief rays.", 0.0)
    kept = f"directions are means over the camera's pupil: those of an eye with a {largest:g} mm pupil"
    if choice == KEEP:
        return grid, Aperture("kept", f"{kept}, as asked.", largest)
    positions = len(np.unique(np.round(grid.pupil_mm, 6), axis=0))
    if base is None and positions < LEAST_POSITIONS:
        return grid, Aperture(
            "kept",
            f"{kept}; the chief rays are not known: needs {LEAST_POSITIONS} pupil positions, not "
            f"in a line, or an earlier fit; there are {positions}.",
            largest,
        )
    focus = np.array([task.camera.focus_dioptres for task in tasks], dtype=float)
    through = Through(
        diameter_mm=diameter,
        walk_mm=walk,
        rotation=np.repeat(np.array([pose_rotation(*one.turn_deg) for one in results]), counts, axis=0),
        focus_dioptres=np.repeat(focus, counts),
        blur=_blur(tasks, results),
    )
    try:
        moved, more = chief_minus_mean(grid, through, base=base)
    except PrewarpError as cause:
        return grid, Aperture("kept", f"{kept}; no field can be fitted to take it out: {cause}", largest)
    tangent = grid.tangent + moved
    angle = _angle_arcmin(grid.tangent, tangent)
    words = (
        f"the mean over the camera's pupil of {largest:g} mm was corrected by the field of "
        f"{'all poses' if base is None else 'the earlier fit'}: "
        f"{np.sqrt(np.mean(angle**2)):.3f} arcmin RMS, {angle.max():.3f} at most{more}. "
        "Directions are chief rays."
    )
    # The angles are made again from the tangents.
    mended = replace(grid, tangent=tangent, direction_deg=None)  # type: ignore[arg-type]
    rms, most = float(np.sqrt(np.mean(angle**2))), float(angle.max())
    return mended, Aperture("removed", words, largest, rms, most)


def _blur(tasks: Sequence[PoseTask], results: Sequence[PoseResult]) -> Blur:
    """Return how all rows are blurred, by camera and by view: pose, channel and colour."""
    counts = [len(one.rows) for one in results]
    cameras = list(dict.fromkeys(task.camera for task in tasks))
    number = [cameras.index(task.camera) for task in tasks]
    place = np.concatenate([one.rows.place for one in results])
    slopes = [
        task.camera.pixel_slopes(task.camera.tangent(one.rows.place))
        for task, one in zip(tasks, results, strict=True)
    ]
    labels = [
        f"{k} {channel} {colour}"
        for k, one in enumerate(results)
        for channel, colour in zip(one.rows.channel, one.rows.colour, strict=True)
    ]
    return Blur(
        spread=np.concatenate([one.rows.spread for one in results]),
        place=place,
        slopes=np.concatenate(slopes),
        view=np.unique(labels, return_inverse=True)[1],
        camera=np.repeat(number, counts),
    )


def _angle_arcmin(first: FloatArray, second: FloatArray) -> FloatArray:
    cross = np.cross(unit_from_tangent(first), unit_from_tangent(second))
    angle: FloatArray = np.arcsin(np.clip(np.linalg.norm(cross, axis=-1), 0.0, 1.0)) * _ARCMIN_PER_RAD
    return angle
