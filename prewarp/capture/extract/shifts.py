"""How far the picture moved from frame to frame."""

import numpy as np

from prewarp.capture.extract.centroids import Fitted
from prewarp.capture.extract.picture import PictureArray
from prewarp.checks import BoolArray, FloatArray

_FOR_SHIFTS, _LEAST_LIT = 400, 8


def frame_shifts(
    stack: np.ndarray,
    lit: FloatArray,
    explained: FloatArray,
    fitted: Fitted,
    good: BoolArray,
    variance: PictureArray,
) -> FloatArray:
    """Return how far the picture lies in each frame (frames, 2) from the mean of all, px.

    Each dot's picture, weighted with its slopes, gives a number a frame; of these what its own mean picture,
    static light and ghosts explain is taken out. One shift a frame then suits the rest of all dots best. NaN
    where too few dots are lit.
    """
    frames = lit.shape[1]
    chosen = np.flatnonzero(good)
    chosen = chosen[np.argsort(-fitted.light[chosen], kind="stable")[:_FOR_SHIFTS]]
    on = lit[chosen]
    enough = np.count_nonzero(on > 0.0, axis=0) >= _LEAST_LIT
    if np.count_nonzero(enough) < 2:
        return np.full((frames, 2), np.nan)
    model = np.where(fitted.inside, fitted.model - fitted.background[:, None, None], 0.0)[chosen]
    slope_y, slope_x = np.gradient(model, axis=(1, 2))
    one = np.where(fitted.inside[chosen], 1.0, 0.0)
    columns = np.stack([model, slope_x, slope_y, one], axis=1).reshape(len(chosen), 4, -1)
    weight = (1.0 / variance[chosen]).reshape(len(chosen), 1, -1)
    solve = np.linalg.solve((columns * weight) @ columns.transpose(0, 2, 1), columns * weight)[:, 1:3]
    values = -np.matmul(
        stack[chosen].reshape(len(chosen), frames, -1), solve.transpose(0, 2, 1).astype(np.float32)
    ).astype(np.float64)
    rest = np.eye(frames) - explained[chosen]
    seen = on[:, :, None] * (rest @ values)
    lever = on[:, :, None] * rest * on[:, None, :]
    normal = np.einsum("nfi,nfj->ij", lever, lever)
    side = np.einsum("nfi,nfk->ik", lever, seen)
    shifts: FloatArray = np.linalg.pinv(normal, rcond=1e-6, hermitian=True) @ side
    shifts = shifts - shifts[enough].mean(axis=0)
    return np.where(enough[:, None], shifts, np.nan)
