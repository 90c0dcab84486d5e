"""Each dot's own picture, told from static light, ghosts and neighbours by the codes of all of them.

In frame f a pixel shows  b(p) e_f + sum over dots j of c_j(f) A_j(p),  c the exposure where dot j is lit, 0
where not. Least squares over the frames gives A of the dot itself; of other dots only those count whose code
explains a significant part of what is left, so that noise is hardly raised.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.noise import Noise
from prewarp.checks import BoolArray, FloatArray, IntArray

# A window is judged in 3 x 3 blocks, so one more dot explains chi^2 of 9 degrees by chance: mean 9, this is
# some seven sigma above.
_SIGNIFICANT = 40.0
MOST_OTHERS = 4
_BLOCKS = 3
# By chance 4.8 sigma comes to one pixel in 600,000, chi^2 of nine above 30 to one window in 2,000.
_QUIET_SIGMA, _QUIET_CHI = 4.8, 30.0


@dataclass(frozen=True)
class Separated:
    """`own` (n, side, side) picture for exposure 1, `weight` (n, frames) of each frame in it; `others`
    (n, 4) marks whose light was taken out, -1 none; `other_light` (n, 4) their light there, codes;
    `explained`
    (n, frames, frames) what of the frames' values static light, the dot and others together explain.
    """

    own: FloatArray
    weight: FloatArray
    others: IntArray
    other_light: FloatArray
    explained: FloatArray


def separate(
    stack: np.ndarray,
    lit: FloatArray,
    exposure: FloatArray,
    frame_weight: FloatArray,
    candidates: IntArray,
    all_lit: FloatArray,
    noise: Noise,
    *,
    static: bool,
) -> Separated:
    """Separate n dots.

    Parameters
    ----------
    stack : (n, frames, side, side) array
        Windows, codes above black.
    lit : (n, frames) float array
        Exposure of a frame where the dot is lit in it, else 0.
    exposure : (frames,) float array
        Exposures, with what the lamp's flicker adds; 1 for the reference.
    frame_weight : (n, frames) float array
        One over the variance of a typical pixel; 0 for frames that do not count (saturated).
    candidates : (n, k) int array
        Marks whose light may fall on each dot, -1 none.
    all_lit : (m, frames) float array
        As `lit`, of every mark.
    noise : Noise
        Of a pixel.
    static : bool
        Whether light that is there in every frame can be told (it can where frames with the dot dark exist).
    """
    n, frames = lit.shape
    blocks = _block_sums(stack)
    pixels = stack.shape[2] * stack.shape[3] / _BLOCKS**2
    base = np.broadcast_to(exposure, lit.shape) if static else np.zeros_like(lit)
    design = np.stack([base, lit], axis=2)
    codes = np.where(
        (candidates >= 0)[:, None, :], all_lit[np.maximum(candidates, 0)].transpose(0, 2, 1), 0.0
    )
    chosen = np.full((n, MOST_OTHERS), -1)
    active = np.arange(n) if static and candidates.shape[1] else np.zeros(0, dtype=int)
    for turn in range(MOST_OTHERS):
        if len(active) == 0:
            break
        part = design[active]
        block_weight = _block_weights(blocks[active], part, frame_weight[active], noise, pixels)
        score = _explained(part, codes[active], blocks[active], block_weight)
        best = np.argmax(score, axis=1)
        taken = score[np.arange(len(active)), best] > _SIGNIFICANT
        column = np.zeros((n, frames))
        mine = active[taken]
        column[mine] = codes[mine, :, best[taken]]
        chosen[mine, turn] = candidates[mine, best[taken]]
        design = np.concatenate([design, column[:, :, None]], axis=2)
        active = mine
    if static:
        design[_quiet(stack, blocks, lit, exposure, noise) & (chosen[:, 0] < 0), :, 0] = 0.0
    inverse = _pseudo_inverse(design, frame_weight)
    weight = inverse[:, 1]
    own = np.einsum("nf,nfyx->nyx", weight.astype(np.float32), stack, optimize=True)
    light = np.zeros((n, MOST_OTHERS))
    total = blocks.sum(axis=2)
    for turn in range(design.shape[2] - 2):
        light[:, turn] = np.einsum("nf,nf->n", inverse[:, 2 + turn], total)
    return Separated(own, weight, chosen, np.where(chosen >= 0, light, 0.0), design @ inverse)


def _block_sums(stack: np.ndarray) -> FloatArray:
    """Return sums over 3 x 3 blocks of each window, (n, frames, 9)."""
    edges = np.linspace(0, stack.shape[2], _BLOCKS + 1).astype(int)[:-1]
    summed = np.add.reduceat(np.add.reduceat(stack, edges, axis=2, dtype=np.float64), edges, axis=3)
    result: FloatArray = summed.reshape(*stack.shape[:2], -1)
    return result


def _quiet(
    stack: np.ndarray, blocks: FloatArray, lit: FloatArray, exposure: FloatArray, noise: Noise
) -> BoolArray:
    """Return where (n,) nothing but even light is seen in frames in which a dot is dark.

    To take out static light that is not there would only add the noise of those frames.
    """
    dark = (lit == 0.0) & (exposure > 0.0)
    count = np.maximum(dark.sum(axis=1), 1)
    share = dark / count[:, None]
    mean = np.einsum("nf,nfyx->nyx", share.astype(np.float32), stack, optimize=True)
    pixels = stack.shape[2] * stack.shape[3] / _BLOCKS**2
    sums = np.einsum("nf,nfb->nb", share, blocks)
    highest = np.abs(mean).max(axis=(1, 2)) * np.sqrt(count / noise.read)
    spread = np.sum(sums**2, axis=1) * count / (pixels * noise.read)
    quiet: BoolArray = (highest < _QUIET_SIGMA) & (spread < _QUIET_CHI)
    return quiet


def _block_weights(
    blocks: FloatArray, design: FloatArray, weight: FloatArray, noise: Noise, pixels: float
) -> FloatArray:
    """Return one over the variance (n, frames, 9) of block sums; 0 for frames that do not count."""
    fitted = design @ (_pseudo_inverse(design, weight) @ blocks)
    variance = pixels * noise.read + noise.shot * np.maximum(fitted, 0.0)
    result: FloatArray = np.where(weight[:, :, None] > 0.0, 1.0 / variance, 0.0)
    return result


def _explained(design: FloatArray, codes: FloatArray, blocks: FloatArray, weight: FloatArray) -> FloatArray:
    """Return how much chi^2 (n, k) each candidate would explain of what the design leaves."""
    wide = weight.transpose(0, 2, 1)[:, :, None, :]
    weighted = design.transpose(0, 2, 1)[:, None] * wide
    normal = weighted @ design[:, None]
    diagonal = np.arange(normal.shape[-1])
    normal[..., diagonal, diagonal] += 1e-9 * np.trace(normal, axis1=-2, axis2=-1)[..., None] + 1e-300
    cross = weighted @ codes[:, None]
    along = weighted @ blocks.transpose(0, 2, 1)[..., None]
    solved = np.linalg.solve(normal, np.concatenate([cross, along], axis=-1))
    new = codes.transpose(0, 2, 1)[:, None] * wide
    size = np.einsum("nbkf,nfk->nbk", new, codes)
    rest = size - np.einsum("nbij,nbij->nbj", cross, solved[..., :-1])
    left = (new @ blocks.transpose(0, 2, 1)[..., None])[..., 0]
    left = left - np.einsum("nbij,nbi->nbj", cross, solved[..., -1])
    fine = np.all(rest > 0.05 * size, axis=1) & np.all(size > 0.0, axis=1)
    explained = np.sum(left**2 / np.where(rest > 0.0, rest, 1.0), axis=1)
    light = np.sum(left / np.where(rest > 0.0, rest, 1.0), axis=1)
    result: FloatArray = np.where(fine & (light > 0.0), explained, 0.0)
    return result


def _pseudo_inverse(design: FloatArray, weight: FloatArray) -> FloatArray:
    """Return (D'WD)^-1 D'W (n, columns, frames); columns of zeros stay zero."""
    weighted = design * weight[:, :, None]
    normal = design.transpose(0, 2, 1) @ weighted
    size = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 0.0))
    empty = size <= 0.0
    size = np.where(empty, 1.0, size)
    normal = normal / (size[:, :, None] * size[:, None, :])
    diagonal = np.arange(normal.shape[1])
    normal[:, diagonal, diagonal] = 1.0
    side = weighted.transpose(0, 2, 1) / size[:, :, None]
    result: FloatArray = np.linalg.solve(normal, side) / size[:, :, None]
    return result
