"""Folds and curl: what the measured map as a whole must obey whatever the optics."""

from collections.abc import Iterator, Mapping

import numpy as np

from prewarp.chebyshev import chebyshev_terms
from prewarp.checking.lattice import Lattice, node_table
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples, group_sums
from prewarp.checking.surface import FEWEST_POSITIONS, MapModel
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.frames import ARCMIN_PER_RADIAN

CURL_SIGMA = 4.0
LEAST_CURL = 0.02  # arcmin per mm; below, an eye box of 8 mm hides it under 0.2 arcmin
_LEAST_MOTION = 0.5  # arcmin per mm, 0.15 dioptre: images further away hardly move with the pupil
_SAMPLED = 1500
_WIDE_MM = 0.2  # as far off a line positions say something of the other slope
_INNER_PUPIL = 0.9
# Shots beyond the terms over the pupil that tell how large turns are; a sample counts up to so many sigma.
_LEAST_FREEDOM, _BOUND = 3, 4.0
_MOST_TURNED = 60_000  # samples that tell how shots are turned


def check_folds(samples: Samples, surface: MapModel, lattice: Lattice, good: np.ndarray) -> Iterator[Finding]:
    """Yield where the map turns over: lattice cells whose area has the other sign, or the model's Jacobian.

    `good` (n,) leaves out samples already found wrong.
    """
    index: IntArray
    if lattice.kind == "scattered":
        index = np.flatnonzero((samples.pair == surface.pair) & good)
        index = index[np.linspace(0, len(index) - 1, min(len(index), 6 * _SAMPLED)).astype(int)]
        area = np.linalg.det(surface.jacobian(samples.pixel[index], samples.reference_mm[index]))
    else:
        values = samples.cosine if lattice.kind == "panel" else samples.pixel
        _, table = node_table(samples, lattice)
        table = np.where((table >= 0) & good[table], table, -1)
        corners = (table[:, :-1, :-1], table[:, :-1, 1:], table[:, 1:, :-1], table[:, 1:, 1:])
        whole = np.logical_and.reduce([corner >= 0 for corner in corners])
        a, b, c, d = (corner[whole] for corner in corners)
        # Cells next to a wide gap (missing levels) have other sizes, but never another sign.
        one, two = values[d] - values[a], values[c] - values[b]
        area = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
        index = a
    if not len(index):
        return
    typical = float(np.median(area))
    folded = area * np.sign(typical) < -0.02 * abs(typical)
    if not folded.any():
        return
    first = index[np.flatnonzero(folded)[0]]
    u, v = samples.pixel[first]
    x, y, z = samples.pupil_mm[first]
    yield finding(
        "fold",
        "error",
        f"the map folds at u={u:.0f} v={v:.0f} px for pupil ({x:g}, {y:g}, {z:g}) mm: one direction would be "
        "seen at two panel points.",
        "Leave out the part of the panel beyond the fold, or check these points.",
        channel=samples.channel_of(surface.pair),
        colour=samples.colour_of(surface.pair),
        rows=samples.row[np.unique(index[folded])],
    )


def measure_curl(
    samples: Samples, surface: MapModel, coarser: MapModel | None, good: BoolArray
) -> tuple[float, float] | None:
    """Return the RMS curl dqx/dy - dqy/dx and what of it is explained, arcmin per mm; None without pupils.

    At a fixed panel point direction cosines over the pupil plane are a gradient (Malus-Dupin; Born and Wolf,
    Principles of Optics, section 3.3), so the curl of true data is zero. Explained are noise, through the
    fit's covariance; what the model cannot follow, by how much a coarser model's curl differs; and small
    turns of the camera from shot to shot, by how much shots scatter as a whole (`_curl_of_turns`). Nothing is
    known where that is as large as the slopes over the pupil themselves: then positions are fewer than the
    model's pupil terms, or on a curve. `good` (n,): samples not found wrong.
    """
    if coarser is None or not (surface.follows_pupil and coarser.follows_pupil):
        return None
    if _on_a_line(samples.pupils_mm[samples.group_pupil[samples.group_pair == surface.pair]]):
        return None
    index = np.flatnonzero(samples.pair == surface.pair)
    own = np.flatnonzero((samples.pair == surface.pair) & good)
    index = index[np.linspace(0, len(index) - 1, min(len(index), _SAMPLED)).astype(int)]
    index = index[_away_from_rim(samples, surface, index)]
    curl, variance = _curl(samples, surface, index)
    change = curl - _curl(samples, coarser, index)[0]
    variance = variance + change * change + _curl_of_turns(samples, surface, own)
    squares = (curl * curl, variance)
    size, explained = (float(np.sqrt(np.mean(square))) * ARCMIN_PER_RADIAN for square in squares)
    slopes = [
        surface.terms(samples.pixel[index], samples.reference_mm[index], derivative=axis) for axis in (2, 3)
    ]
    motion = float(np.sqrt(np.mean([(one @ surface.coefficient) ** 2 for one in slopes]))) * ARCMIN_PER_RADIAN
    return (size, explained) if explained < max(motion, _LEAST_MOTION) else None


def _on_a_line(pupils_mm: FloatArray) -> bool:
    """Return whether few positions (e, 3) lie on a line across the pupil: one of the slopes is missing.

    Of many, other depths may show it.
    """
    across = pupils_mm[:, :2] - pupils_mm[:, :2].mean(axis=0)
    return len(across) < FEWEST_POSITIONS and bool(np.linalg.svd(across, compute_uv=False)[-1] < _WIDE_MM)


def _curl_of_turns(samples: Samples, surface: MapModel, index: IntArray) -> float:
    """Return the mean square of the curl that turns of the camera from shot to shot give, (1 / mm)^2.

    A camera turned by r sees direction cosines moved by -(r x s)_xy, s the unit direction (derived here). How
    large turns are is seen where shots are off the model as a whole, each component apart; that many shots
    of this size, through a polynomial over the pupil like the model's, make curl. 0 where the positions are
    too few to tell.
    """
    if len(index) > _MOST_TURNED:
        index = np.sort(np.random.default_rng(5).choice(index, _MOST_TURNED, replace=False))
    groups, shot = np.unique(samples.group[index], return_inverse=True)
    pupil = surface.exponents[(surface.exponents[:, :2] == 0).all(axis=1)]
    freedom = len(groups) - len(pupil)
    if freedom < _LEAST_FREEDOM:
        return 0.0
    x, y = samples.cosine[index].T
    z, none = np.sqrt(np.maximum(1.0 - x * x - y * y, 0.0)), np.zeros(len(index))
    turns = np.stack([np.stack([none, -z, y], axis=-1), np.stack([z, none, -x], axis=-1)], axis=1)
    rest = surface.residual(samples, index)
    rest *= np.minimum(1.0, _BOUND * surface.scale / np.maximum(np.hypot(*rest.T), 1e-300))[:, None]
    products = np.einsum("nci,ncj->ijn", turns, turns).reshape(9, -1)
    normal = group_sums(products, shot, len(groups)).reshape(-1, 3, 3)
    side = group_sums(np.einsum("nci,nc->in", turns, rest), shot, len(groups))
    found = np.linalg.solve(normal + 1e-9 * np.eye(3), side[..., None])[..., 0]
    place: FloatArray = np.stack(
        [np.bincount(shot, one) / np.bincount(shot) for one in samples.reference_mm[index].T], axis=-1
    )
    w = np.concatenate([np.zeros((len(groups), 2)), (place - surface.middle_mm) / surface.half_mm], axis=1)
    inverse = np.linalg.pinv(chebyshev_terms(w, pupil))
    left = found - chebyshev_terms(w, pupil) @ (inverse @ found)
    own = np.linalg.inv(normal + 1e-9 * np.eye(3)).diagonal(axis1=1, axis2=2).mean(axis=0) * surface.scale**2
    size = np.maximum(np.sum(left**2, axis=0) / freedom - own, 0.0)
    inner = w[np.abs(w[:, 2:]).max(axis=1) < _INNER_PUPIL]
    inner = inner if len(inner) else w
    by_x, by_y = (
        chebyshev_terms(inner, pupil, derivative=2 + axis) @ inverse / surface.half_mm[axis]
        for axis in (0, 1)
    )
    xx, xy, yy = (float(np.mean(np.sum(one, axis=1))) for one in (by_x**2, by_x * by_y, by_y**2))
    to_the_side = np.mean(z * z) * (size[0] * xx + size[1] * yy)
    about_the_axis = size[2] * (np.mean(x * x) * xx + np.mean(y * y) * yy + 2.0 * np.mean(x * y) * xy)
    return float(to_the_side + about_the_axis)


def _curl(samples: Samples, surface: MapModel, index: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return curl and the variance that noise gives it (n,), per mm."""
    by_x, by_y = (
        surface.terms(samples.pixel[index], samples.reference_mm[index], derivative=axis) for axis in (2, 3)
    )
    curl = by_y @ surface.coefficient[:, 0] - by_x @ surface.coefficient[:, 1]
    variance = sum(((by @ surface.covariance) * by).sum(axis=1) for by in (by_x, by_y)) * surface.scale**2
    return curl, np.maximum(variance, 0.0)


def _away_from_rim(samples: Samples, surface: MapModel, index: IntArray) -> np.ndarray:
    """Return True for the inner samples, where a polynomial's derivative can be trusted; all when too few."""
    panel = np.abs(surface.frame(samples.pixel[index])).max(axis=1)
    pupil = np.abs((samples.reference_mm[index] - surface.middle_mm) / surface.half_mm).max(axis=1)
    inside = (panel < 0.8) & (pupil < _INNER_PUPIL)
    return inside if inside.sum() >= 50 else np.ones(len(index), dtype=bool)


def curl_finding(samples: Samples, curls: Mapping[int, tuple[float, float]], looked_at: set[int]) -> Finding:
    """Return the finding for curls beyond noise, by pair; `looked_at` are all pairs that were measured."""
    worst = max(curls, key=lambda pair: curls[pair][0])
    curl, explained = curls[worst]
    names = [f"{samples.channel_of(pair)}/{samples.colour_of(pair)}" for pair in sorted(curls)]
    place = "every channel and colour" if set(curls) == looked_at else ", ".join(names)
    return finding(
        "curl",
        "warning",
        f"curl of the directions over the pupil is {curl:.3g} arcmin/mm; noise and the model explain "
        f"{explained:.2g} (Malus-Dupin: it is zero for one panel point seen from all positions); in {place}.",
        "Check that pupil and direction axes are parallel, no capture is turned and positions are right.",
        channel=samples.channel_of(worst) if len({samples.channel_of(p) for p in curls}) == 1 else None,
        colour=samples.colour_of(worst) if len({samples.colour_of(p) for p in curls}) == 1 else None,
        size=(curl, "arcmin/mm"),
    )
