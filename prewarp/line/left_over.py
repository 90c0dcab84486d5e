"""What a sum of modes leaves of units, in principal parts: directions from some units, sizes from others.

Sizes that a decomposition finds of its own units fall too fast: at the end of the spectrum units that were
not asked lie 2 to 7 times further out. So they are measured on units kept apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray

# Parts smaller than this (RMS of the distance, px) go into the rest.
LEAST_PX = 3e-4
# Neighbours on either side over which the ratio of sizes is averaged.
_NEIGHBOURS = 4


@dataclass(frozen=True)
class PrincipalParts:
    """`parts`: per colour (1 + parts, numbers): the mean, then one sigma of each part. `rest_px`: what units
    kept apart show beside them, RMS of the distance, px.
    """

    parts: tuple[FloatArray, ...]
    rest_px: float


def principal_parts(
    left: Sequence[FloatArray],
    px_per_cosine: Sequence[FloatArray],
    counted: Sequence[BoolArray],
    own: int,
    /,
) -> PrincipalParts:
    """Decompose what is left of units.

    Parameters
    ----------
    left : sequence of (units, 2 n) float arrays
        Per colour: x of all n rays, then y; direction cosines.
    px_per_cosine : sequence of (n, 2, 2) float arrays
        Per colour: what turns it into px.
    counted : sequence of (n,) bool arrays
        Per colour: rays by which parts are found and judged.
    own : int
        So many units give the directions, the rest their sizes.
    """
    px = np.concatenate(
        [_in_px(one, scale, seen) for one, scale, seen in zip(left, px_per_cosine, counted, strict=True)],
        axis=1,
    )
    flat = np.concatenate(left, axis=1)
    middle, middle_px = flat.mean(axis=0), px.mean(axis=0)
    rays = px.shape[1] / 2.0
    vectors, size, directions = np.linalg.svd(px[:own] - middle_px, full_matrices=False)
    size_px = size / np.sqrt(max(own - 1.0, 1.0) * rays)
    kept = max(1, int(np.sum(size_px[: own - 1] > LEAST_PX)))
    others = (px[own:] - middle_px) @ directions[:kept].T
    ratio = np.mean(others**2, axis=0) * (own - 1.0) / size[:kept] ** 2
    window = np.ones(2 * _NEIGHBOURS + 1)
    smooth = np.convolve(ratio, window, "same") / np.convolve(np.ones(kept), window, "same")
    # The same combination of units that gives a direction in px gives it in cosines.
    combined = (vectors[:, :kept].T @ (flat[:own] - middle)) / np.sqrt(own - 1.0)
    parts = np.concatenate([middle[None], np.sqrt(np.maximum(smooth, 1.0))[:, None] * combined])
    beyond = (px[own:] - middle_px) - others @ directions[:kept]
    rest = float(np.sqrt(np.mean(beyond**2) * 2.0))
    return PrincipalParts(
        tuple(np.split(parts, np.cumsum([one.shape[1] for one in left])[:-1], axis=1)), rest
    )


def _in_px(left: FloatArray, scale: FloatArray, counted: BoolArray) -> FloatArray:
    pairs = left.reshape(len(left), 2, -1)
    px = np.einsum("npc,ucn->unp", scale[counted], pairs[:, :, counted])
    result: FloatArray = px.reshape(len(left), -1)
    return result
