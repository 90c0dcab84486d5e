"""Moments in which an eye looks at the overlap of two channels of a package, with a tracker.

By the tables alone: what a unit's own deviations add to each moment is `acceptance.seam`'s.
"""

from dataclasses import dataclass
from typing import cast

import numpy as np
from scipy.stats import qmc

from prewarp.acceptance.smooth import Points
from prewarp.acceptance.tables_as_fields import TableField
from prewarp.budget.eye import eye_path
from prewarp.budget.scene import BudgetScene
from prewarp.budget.simulate import draw_moments, effects_of, pupils_in_box
from prewarp.budget.surface import SeamSurface, seam_surface
from prewarp.checks import BoolArray, FloatArray, extent
from prewarp.errors import SeamError
from prewarp.field import Field
from prewarp.frames import reference_pupil
from prewarp.lookup import Lookup
from prewarp.lookup.device_light import PreparedLight
from prewarp.module import EyeBox
from prewarp.tracker import Tracker

# Directions whose steps are expanded; moments that are drawn, of how many one is kept; directions that are
# tried, and how few of them are an overlap.
_NODES, _MOMENTS, _THIN, _TRIED, _FEWEST = 48, 120_000, 5, 4096, 16
# Parts of the moments, each of eye movement of its own, that tell how sure their number leaves a figure.
_PARTS = 20
# Points along a side of a panel by which its reach is found.
_ALONG = 9


@dataclass(frozen=True, eq=False)
class SeamMoments:
    """Moments of a seam: `points`, places are directions, tangents; what comes on top is the step from the
    first channel's picture to the second's, arcmin, right and up, as tables and tracker make it.

    `directions` (m, 2): spread evenly over what both channels show from all of the eye box.
    """

    points: Points
    directions: FloatArray


def seam_moments(
    channels: tuple[str, str], lookup: Lookup, eye_box: EyeBox, tracker: Tracker, /, *, seed: int = 0
) -> SeamMoments:
    """Return moments of the seam of two channels: natural eye movement, the pupil in the eye box.

    How the picture moves with the pupil is that of a colour whose tables stand alone: others differ from it
    by little.

    Raises
    ------
    SeamError
        Hardly any direction is shown by both channels from all of the eye box.

    Notes
    -----
    Of the moments drawn every fifth by the size of its step is kept: how often the tracker's part is how
    large then is as well known as from all of them.
    """
    first, second = (TableField(lookup, name, _alone(lookup)) for name in channels)
    directions = _shared((first, second), eye_box)
    nodes = _apart(directions, _NODES)
    surface = seam_surface(cast(Field, first), cast(Field, second), nodes, eye_box=eye_box)
    parts = [
        _part(surface, directions, tracker, np.random.Generator(np.random.SFC64(one)))
        for one in np.random.SeedSequence(seed).spawn(_PARTS)
    ]
    tangent, reference, step = (np.concatenate(one) for one in zip(*parts, strict=True))
    group = np.repeat(np.arange(_PARTS), [len(one[0]) for one in parts])
    return SeamMoments(Points(tangent, reference, group, step), directions)


def _part(
    surface: SeamSurface, directions: FloatArray, tracker: Tracker, random: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return directions (n, 2), pupils (n, 2) in the plane z = 0 and steps (n, 2) of a part of them."""
    count, scene, effects = _MOMENTS // _PARTS, BudgetScene(surface), effects_of(tracker)
    # Two moments a fixation: they are nearly independent.
    path = eye_path(scene.motion, random, count=count // 2)
    drawn = draw_moments(scene, path, random, count)
    tangent = directions[random.integers(len(directions), size=count)]
    true, tracked, inside = pupils_in_box(scene, tangent, drawn, effects, drawn.late_mm(path, effects))
    step = surface.step_between_arcmin(tangent, true, tracked)
    kept = np.flatnonzero(inside)
    kept = kept[np.argsort(np.hypot(*step[:, kept]))][_THIN // 2 :: _THIN]
    return tangent[kept], reference_pupil(tangent[kept], true.T[kept]), step.T[kept]


def _apart(directions: FloatArray, count: int) -> FloatArray:
    """Return so many of directions (m, 2), the rim's among them: each the farthest from those before."""
    chosen = [int(np.argmax(np.linalg.norm(directions - directions.mean(axis=0), axis=1)))]
    away = np.full(len(directions), np.inf)
    while len(chosen) < min(count, len(directions)):
        away = np.minimum(away, np.linalg.norm(directions - directions[chosen[-1]], axis=1))
        chosen.append(int(np.argmax(away)))
    return directions[chosen]


def _alone(lookup: Lookup) -> str:
    """Return a colour whose maps are not built on another's, where there is one."""
    return next(
        (
            colour
            for number, colour in enumerate(lookup.colours)
            if all(one.base is None for one in lookup.maps if one.colour == number)
        ),
        lookup.colours[0],
    )


def _shared(fields: tuple[TableField, TableField], eye_box: EyeBox) -> FloatArray:
    """Return directions (m, 2), spread evenly, that both channels show from every corner of the eye box."""
    reach = [_reach(one, eye_box) for one in fields]
    low, high = np.max([one[0] for one in reach], axis=0), np.min([one[1] for one in reach], axis=0)
    if np.any(low >= high):
        raise SeamError("none is")
    even = low + (high - low) * qmc.Halton(2, scramble=False).random(_TRIED)
    for pupil in eye_box.corners:
        even = even[_lit(fields, even, pupil)]
    for one in fields:
        even = even[one.inverse(even[:, None, :], pupil_mm=eye_box.corners).valid.all(axis=1)]
    if len(even) < _FEWEST:
        raise SeamError("none is" if not len(even) else "hardly any is")
    return np.asarray(even)


def _lit(fields: tuple[TableField, TableField], tangent: FloatArray, pupil_mm: FloatArray) -> BoolArray:
    lookup = fields[0].lookup
    light = PreparedLight(lookup, pupil_mm)
    return np.asarray(
        np.all([light.lit_by(lookup.channels.index(one.channel), tangent) for one in fields], axis=0)
    )


def _reach(field: TableField, eye_box: EyeBox) -> FloatArray:
    """Return the least and the largest tangents (2, 2) that the rim of a panel is seen in."""
    along = np.linspace(0.0, 1.0, _ALONG)
    unit = np.stack(np.meshgrid(along, along), axis=-1).reshape(-1, 2)
    rim = unit[np.any((unit == 0.0) | (unit == 1.0), axis=1)] * field.panel_size_px
    return extent(field.forward(rim[:, None], pupil_mm=eye_box.corners).reshape(-1, 2))
