"""What stays in the seam when the tracker is right: steps of a lookup between its eye positions."""

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray, as_tangent, finite_rows
from prewarp.errors import SeamError
from prewarp.frames import arcmin_step
from prewarp.module import EyeBox

if TYPE_CHECKING:
    from prewarp.field import Field

LEAST_NODES, MOST_NODES = 2, 65


def lookup_residual(
    first: "Field",
    second: "Field",
    tangent: FloatArray,
    /,
    *,
    eye_box: EyeBox,
    nodes: tuple[int, int, int],
    samples: int = 4096,
    seed: int = 1,
) -> FloatArray:
    """Return seam steps (samples, 2), arcmin, of a lookup of panel points for a lattice of eye positions.

    Between positions the panel points of the eight nearest are joined linearly (trilinear); the tracker is
    right. Directions and pupils are drawn evenly from `tangent` (m, 2), tangents, and the eye box.

    Raises
    ------
    SeamError
        `nodes` holds a number outside 2 to 65 (1 where the eye box has no length), or no sample is shown by
        both channels.
    """
    tangent = as_tangent(tangent).reshape(-1, 2)
    half = eye_box.half_mm
    for count, length in zip(nodes, half, strict=True):
        if not (LEAST_NODES if length > 0.0 else 1) <= count <= MOST_NODES:
            raise SeamError(
                f"nodes is {nodes}; expected {LEAST_NODES} to {MOST_NODES} eye positions along each side of "
                "the eye box."
            )
    random = np.random.default_rng(seed)
    content = tangent[random.integers(len(tangent), size=samples)]
    unit = random.random((samples, 3))
    pupil = (2.0 * unit - 1.0) * half
    place = unit * (np.array(nodes) - 1)
    low = np.minimum(place.astype(int), np.maximum(np.array(nodes) - 2, 0))
    share = place - low
    shown = []
    for field in (first, second):
        pixel = np.zeros((samples, 2))
        for corner in product((0, 1), repeat=3):
            weight = np.prod(np.where(corner, share, 1.0 - share), axis=1)
            node = np.minimum(low + corner, np.array(nodes) - 1)
            at = (2.0 * node / np.maximum(np.array(nodes) - 1, 1) - 1.0) * half
            pixel += weight[:, None] * field.inverse(content, pupil_mm=at).pixel
        known = finite_rows(pixel)
        middle = np.array(field.panel_size_px) / 2.0
        seen = field.forward(np.where(known[:, None], pixel, middle), pupil_mm=pupil)
        shown.append(np.where(known[:, None], seen, np.nan))
    step = arcmin_step(*shown)
    step = step[np.isfinite(step).all(axis=1)]
    if len(step) == 0:
        raise SeamError("no direction is shown by both channels. Take directions of their overlap.")
    return step
