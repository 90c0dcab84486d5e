"""The focus step across the seam as measured: image vergence of both channels where they meet.

The package's own slopes over the pupil say what was fitted; how deviations change with the pupil says what
the unit has more. Both give a wavefront's curvature (`frames.curvature_from_slope`), half its trace the
vergence.
"""

import numpy as np

from prewarp.acceptance.figures import Figure
from prewarp.acceptance.lengths import sigma_of_mean
from prewarp.acceptance.predicted import Deviations
from prewarp.acceptance.seam import FEWEST_ROWS, neighbours
from prewarp.chebyshev import values_2d
from prewarp.checks import FloatArray
from prewarp.frames import ARCMIN_PER_RADIAN, MM_PER_M, reference_pupil, sight_axes

FOCUS_KEY = "focus_step_dioptres"
# Degree over the panel of how deviations change with the pupil.
_DEGREE = 2
# Shots are left out in so many parts, one after another, to see how sure the figure is.
_PARTS, FEWEST_SHOTS = 8, 5
_RANK = 1e-3
NEEDS = (
    f"both channels in one colour and their overlap from {FEWEST_SHOTS} pupil positions or more, not on one "
    "line"
)


def focus_figure(
    groups: tuple[Deviations, ...],
    channels: tuple[str, str],
    lack: dict[str, str],
    limit: float | None,
    /,
) -> Figure:
    """Return `focus_step_dioptres` of two channels, in the first colour in which both were captured.

    `lack`: what the rows of each colour do not show of eye box and overlap.
    """
    of = " and ".join(channels)
    pairs = [
        (first, second)
        for first in groups
        for second in groups
        if (first.channel, second.channel) == channels and first.colour == second.colour
    ]
    for first, second in pairs:
        found = _steps(first, second)
        if found is not None:
            step, parts = found
            largest = float(np.abs(step[0]).max())
            around = np.array([np.abs(one).max() for one in step[1:]])
            # Jackknife over parts of the shots (Efron and Tibshirani 1993, chapter 11, from memory).
            spread = (len(around) - 1.0) * (sigma_of_mean(around, len(around)) or 0.0)
            note = f"{first.colour}, largest over {step.shape[1]} rows of the overlap; {parts} parts of shots"
            return Figure(
                FOCUS_KEY,
                of,
                "D",
                largest,
                {"positions": spread},
                None,
                step.shape[1],
                lack.get(first.colour, ""),
                note,
                limit,
            )
    return Figure(FOCUS_KEY, of, "D", needs=NEEDS, limit=limit)


def _steps(first: Deviations, second: Deviations) -> tuple[FloatArray, int] | None:
    """Return the step of vergence (1 + parts, n), all shots first, then without each part of them."""
    shots = np.unique(np.concatenate([first.shot, second.shot]))
    if len(shots) < FEWEST_SHOTS:
        return None
    parts = min(_PARTS, len(shots))
    part_of = {int(shot): number % parts for number, shot in enumerate(shots)}
    vergences = []
    for one in (first, second):
        part = np.array([part_of[int(shot)] for shot in one.shot])
        own = [_vergence(one, part != left_out) for left_out in (-1, *range(parts))]
        known = [each for each in own if each is not None]
        if len(known) < len(own):
            return None
        vergences.append(np.stack(known))
    steps = [
        np.einsum("nk,pnk->pn", weights, vergences[1][:, near]) - vergences[0][:, rows]
        for _, rows, near, weights in neighbours(first, second)
    ]
    joined = np.concatenate(steps, axis=1) if steps else np.zeros((1, 0))
    return (joined, parts) if joined.shape[1] >= FEWEST_ROWS else None


def _vergence(group: Deviations, kept: np.ndarray) -> FloatArray | None:
    """Return the image vergence along the ray (n,), dioptres, by the rows `kept`; None if they lack."""
    reference = reference_pupil(group.tangent, group.pupil_mm)
    low, high = group.pixel.min(axis=0), group.pixel.max(axis=0)
    x, y = ((2.0 * group.pixel - low - high) / np.maximum(high - low, 1e-9)).T
    panel = values_2d(x, y, _DEGREE).T
    design = np.concatenate([panel, panel * reference[:, :1], panel * reference[:, 1:]], axis=1)
    own = design[kept]
    scale = np.sqrt(np.mean(own**2, axis=0))
    if not np.all(scale > 0.0):
        return None
    sizes = np.linalg.svd(own / scale, compute_uv=False) if len(own) >= design.shape[1] else np.zeros(1)
    if sizes[-1] < _RANK * sizes[0] or sizes[0] <= 0.0:
        return None
    coefficient = np.linalg.lstsq(own / scale, group.step_arcmin[kept], rcond=None)[0] / scale[:, None]
    count = panel.shape[1]
    more = np.stack([panel @ coefficient[count : 2 * count], panel @ coefficient[2 * count :]], axis=-1)
    slope = (group.per_mm[:, :, :2] + more) / ARCMIN_PER_RADIAN
    curvature = -MM_PER_M * slope @ np.linalg.inv(sight_axes(group.tangent)[..., :2])
    return np.asarray(0.5 * np.trace(curvature, axis1=1, axis2=2))
