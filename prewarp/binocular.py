"""Both eyes: what the correction adds between them, vertically (dipvergence) and horizontally (disparity).

Content far away is meant for the same direction in both eyes. Each eye sees it where its channels truly show
it: where the pupil is not where the correction believes, or a channel is not where it was registered, the two
eyes' pictures come apart. Frames of the two eyes are parallel; each eye has its own eye-box centre. Needs
channels for both eyes.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, as_tangent
from prewarp.errors import SeamError
from prewarp.eye import Eye
from prewarp.field import FieldSet
from prewarp.frames import ARCMIN_PER_RADIAN, arcmin_step, tangent_from_degrees, unit_from_tangent
from prewarp.module import EYES

CAUTION = (
    "Comfort and safety limits between the eyes are for qualified people to set, for the wearers and the "
    "task at hand: the "
    "published figures named here scatter, and some are quoted from memory. Stop at eye strain, headache or "
    "double vision."
)
STEP_DEG = 1.0
LEAST_SHARE = 4e-3


def shown_directions(
    eye: Eye,
    tangent: FloatArray,
    /,
    *,
    pupil_mm: FloatArray,
    tracked_pupil_mm: FloatArray,
    colour: str,
    true_fields: FieldSet | None = None,
) -> FloatArray:
    """Return where content meant for directions (n, 2) is seen (n, 2), tangents; NaN where no channel shows
    it.

    Where two channels show it, the middle of their pictures, weighed by their light. `true_fields`: what the
    eye really looks through; the fields of the correction where nothing else is known.
    """
    weights = eye.seam.weights(tangent)
    total, light = np.zeros((len(tangent), 3)), np.zeros(len(tangent))
    for share, channel in zip(weights, eye.seam.channels, strict=True):
        field, true = (fits.field(channel, colour) for fits in (eye.fields, true_fields or eye.fields))
        found = field.inverse(tangent, pupil_mm=tracked_pupil_mm)
        here = np.flatnonzero(found.valid & (share > LEAST_SHARE))
        seen = unit_from_tangent(true.forward(found.pixel[here], pupil_mm=pupil_mm))
        good = np.isfinite(seen).all(axis=1)
        total[here[good]] += share[here[good], None] * seen[good]
        light[here[good]] += share[here[good]]
    vector = np.where(light[:, None] > 0.0, total, np.nan)
    return vector[:, :2] / vector[:, 2:]


@dataclass(frozen=True)
class Disparity:
    """Steps between the eyes in directions (n, 2), arcmin; NaN where an eye has no picture.

    `dipvergence_arcmin` (n,): left eye's picture above the right eye's. `horizontal_arcmin` (n,): left eye's
    picture to the right of the right eye's, so the eyes must converge by as much more and things look nearer.
    """

    tangent: FloatArray
    dipvergence_arcmin: FloatArray
    horizontal_arcmin: FloatArray

    def vergence_dioptres(self, pupil_distance_mm: float, /) -> FloatArray:
        """Return the horizontal disparity as vergence (n,), dioptres; see `vergence_dioptres`."""
        return vergence_dioptres(self.horizontal_arcmin, pupil_distance_mm)


def vergence_dioptres(disparity_arcmin: ArrayLike, pupil_distance_mm: float, /) -> FloatArray:
    """Return horizontal disparity (...), arcmin, as vergence, dioptres: angle over the pupils' distance."""
    return np.asarray(disparity_arcmin, dtype=float) / ARCMIN_PER_RADIAN / (pupil_distance_mm / 1000.0)


def binocular_directions(eyes: Mapping[str, Eye], /, *, step_deg: float = STEP_DEG) -> FloatArray:
    """Return the directions (n, 2), tangents, that both eyes serve from their whole eye boxes, on a lattice
    of degrees.

    Raises
    ------
    SeamError
        There are none.
    """
    require_two(tuple(eyes))
    outlines = np.concatenate([reach.outline for eye in eyes.values() for reach in eye.seam.reaches])
    low, high = np.degrees(np.arctan(outlines.min(axis=0))), np.degrees(np.arctan(outlines.max(axis=0)))
    axes = [np.arange(np.ceil(low[i] / step_deg), high[i] / step_deg + 1e-9) * step_deg for i in (0, 1)]
    tangent = tangent_from_degrees(np.stack(np.meshgrid(*axes), axis=-1)).reshape(-1, 2)
    both = np.all([eye.seam.served(tangent).any(axis=0) for eye in eyes.values()], axis=0)
    if not both.any():
        raise SeamError("no direction is served by both eyes: there is nothing to compare between them.")
    return tangent[both]


def disparity(
    eyes: Mapping[str, Eye],
    tangent: ArrayLike,
    /,
    *,
    pupils_mm: Mapping[str, ArrayLike],
    tracked_pupils_mm: Mapping[str, ArrayLike],
    colour: str,
    true_fields: FieldSet | None = None,
) -> Disparity:
    """Return what lies between the pictures of the two eyes.

    Parameters
    ----------
    eyes : mapping of "left" and "right" to Eye
    tangent : (n, 2) float array
        Content directions, the same for both eyes (content far away), tangents.
    pupils_mm, tracked_pupils_mm : mapping of eye to (3,) float array
        True and tracked pupil of each eye, mm from its own eye-box centre.
    colour : str
    true_fields : FieldSet, optional
        What the eyes really look through; see `shown_directions`.

    Raises
    ------
    SeamError
        An eye is missing.
    """
    require_two(tuple(eyes))
    tangent = as_tangent(tangent).reshape(-1, 2)
    left, right = (
        shown_directions(
            eyes[eye],
            tangent,
            pupil_mm=as_pupil(pupils_mm[eye]),
            tracked_pupil_mm=as_pupil(tracked_pupils_mm[eye], "tracked_pupils_mm"),
            colour=colour,
            true_fields=true_fields,
        )
        for eye in EYES
    )
    step = arcmin_step(right, left)
    return Disparity(tangent, step[:, 1], step[:, 0])


@dataclass(frozen=True)
class BinocularWorst:
    """Largest steps between the eyes when each pupil may be anywhere in its box and the correction stays
    fixed.

    (n,) each, arcmin, signs as in `Disparity`, the larger of both signs.
    """

    tangent: FloatArray
    dipvergence_arcmin: FloatArray
    horizontal_arcmin: FloatArray


def fixed_worst(
    eyes: Mapping[str, Eye],
    tangent: ArrayLike,
    /,
    *,
    pupils_mm: ArrayLike,
    colour: str,
    true_fields: FieldSet | None = None,
) -> BinocularWorst:
    """Return the worst case over the eye boxes for a fixed correction: the two pupils are taken as
    independent.

    `pupils_mm` (p, 3): positions tried in each eye box, mm. To first order in small steps the eyes' shares
    simply add.
    """
    require_two(tuple(eyes))
    tangent = as_tangent(tangent).reshape(-1, 2)
    low, high = {}, {}
    for eye in EYES:
        steps = np.stack(
            [
                arcmin_step(
                    tangent,
                    shown_directions(
                        eyes[eye],
                        tangent,
                        pupil_mm=pupil,
                        tracked_pupil_mm=np.zeros(3),
                        colour=colour,
                        true_fields=true_fields,
                    ),
                )
                for pupil in as_pupil(pupils_mm, "pupils_mm")
            ]
        )
        low[eye], high[eye] = steps.min(axis=0), steps.max(axis=0)
    ends = np.stack([high["left"] - low["right"], low["left"] - high["right"]])
    place = np.nanargmax(np.abs(np.nan_to_num(ends)), axis=0)
    worst = np.take_along_axis(ends, place[None], axis=0)[0]
    return BinocularWorst(tangent, worst[:, 1], worst[:, 0])


def converged_pupils_mm(
    distance_m: float, pupil_distance_mm: float, lever_mm: float, /
) -> dict[str, FloatArray]:
    """Return where the pupils are when both eyes look at a point straight ahead at `distance_m`, mm from
    their centres.

    Each eye turns inward by atan(half the pupils' distance / distance) about its centre of rotation,
    `lever_mm` behind the pupil: x = lever sin a toward the nose, z = -lever (1 - cos a).
    """
    angle = np.arctan2(pupil_distance_mm / 2000.0, distance_m)
    aside, back = lever_mm * np.sin(angle), -lever_mm * (1.0 - np.cos(angle))
    return {"left": np.array([aside, 0.0, back]), "right": np.array([-aside, 0.0, back])}


def require_two(eyes: tuple[str, ...], /) -> None:
    """Raise `SeamError` unless both eyes are there."""
    missing = [eye for eye in EYES if eye not in eyes]
    if missing:
        raise SeamError(
            f"the module has no channel for the {' and '.join(missing)} eye; disparity needs both. Describe "
            "all channels of both "
            "eyes in one module file, and fit them together."
        )
