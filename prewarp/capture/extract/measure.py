"""From windows of named dots to their places, uncertainties and light, with what is refused and why."""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.spatial import cKDTree

from prewarp.capture.extract.centroids import (
    REACH_BLURS,
    DotShape,
    FieldShape,
    Fitted,
    Seen,
    find_shape,
    first_blur,
    fit_dots,
    nothing_in_common,
)
from prewarp.capture.extract.covered import (
    covered_dots,
    dead_lines,
    odd_pixels,
    off_neighbours,
    on_lines,
)
from prewarp.capture.extract.noise import Noise, noise_of_repeats, noise_of_rest
from prewarp.capture.extract.separation import separate
from prewarp.capture.extract.smooth import SmoothMap, fit_map
from prewarp.capture.extract.windows import Windows, crop
from prewarp.checks import BoolArray, FloatArray, IntArray

_STEPS = 2
_BRIGHTEST = 40
_FOR_SHAPE = 300
LEAST_FOR_SHAPE = 12
_LAST_DEGREE = 8
_AROUND = 12
_LIGHT_DEGREE, _NEARLY = 6, 1.15
_FOR_SHIFTS, _LEAST_LIT = 400, 8

FOUND, COVERED, SATURATED, AT_EDGE, OFF = "found", "covered", "saturated", "at the edge", "off its neighbours"


@dataclass(frozen=True, eq=False)
class Around:
    """Marks whose light may fall on dots: `mark` (n, k) for each dot, -1 none; `lit` (m, frames) of all marks,
    as of the dots themselves, whether they were found or not: what is hidden may still show as a ghost.
    """

    mark: IntArray
    lit: FloatArray


@dataclass(frozen=True, eq=False)
class Measured:
    """Dots measured, in the order given. `state` (n,) str; `place` (n, 2) px of the photograph; `covariance`
    (n, 2, 2) px^2; `light` (n,) codes for exposure 1; `matrix` (n, 2, 2) photograph px per panel px;
    `others` (n, 4) marks whose light was taken out of the dot, -1 none; `other_share` (n, 4) that light by the
    dot's own.
    """

    state: np.ndarray
    place: FloatArray
    covariance: FloatArray
    light: FloatArray
    matrix: FloatArray
    others: IntArray
    other_share: FloatArray
    noise: Noise
    blur_px: float
    smear: float
    shifts: FloatArray
    flicker: FloatArray
    dead_columns: list[int] = field(default_factory=list)
    dead_rows: list[int] = field(default_factory=list)


def measure_dots(
    stack: np.ndarray,
    saturated: BoolArray,
    windows: Windows,
    lit: FloatArray,
    exposure: FloatArray,
    offset: FloatArray,
    panel: FloatArray,
    radius: FloatArray,
    around: "Around",
    dead: tuple[list[int], list[int]],
    known_noise: Noise | None,
) -> Measured:
    """Measure n named dots.

    Parameters
    ----------
    stack : (n, frames, side, side) float32 array
        Windows around the dots in every frame, codes above black.
    saturated : (n, frames) bool array
        Where a lit dot has saturated pixels.
    lit : (n, frames) float array
        Relative exposure where the dot is lit, else 0.
    offset : (n, 2) float array
        Places as found first, px from the middle pixel's centre.
    panel, radius : (n, 2), (n,) float arrays
        The dots on the panel, px.
    around : Around
        What else may lie on each dot.
    dead : two lists of int
        Columns and rows of the sensor that are known to be dead.
    known_noise : Noise or None
        Of the same camera, where frames that repeat are too few to find it.
    """
    n, frames = lit.shape
    place = windows.centre + offset
    dark = lit == 0.0
    static = bool(np.all(dark.sum(axis=1) >= 3))
    stack = stack - _stray_light(stack, place)[:, :, None, None]
    map_ = _best_map(panel, place)
    shape = _shape(map_, panel, radius, place, np.zeros((n, 2)))
    blur = _rough_blur(stack, np.where(saturated, 0.0, lit), offset, shape)
    half = int(np.ceil(np.quantile(shape.reach_px, 0.98) + REACH_BLURS * blur + 2.0))
    if half < windows.half:
        windows, stack = windows.cropped(half), crop(stack, half)
    flicker = _flicker(stack, lit, windows)
    scaled_lit, scaled_exposure = lit * flicker, exposure * flicker
    noise = _noise(
        stack / np.maximum(flicker, 1e-3)[None, :, None, None].astype(np.float32), lit, exposure, known_noise
    )
    bright = _brightness(stack, scaled_lit, static)
    weight = 1.0 / noise.variance(np.maximum(bright[:, None] * scaled_lit * 0.5, 0.0))
    weight = np.where(saturated, 0.0, weight)
    usable_frames = (lit > 0.0) & ~saturated
    lost = ~usable_frames.any(axis=1)
    weight[lost] = 1.0
    candidates = around.mark if static else np.full((n, 0), -1)
    separated = separate(
        stack, scaled_lit, scaled_exposure, weight, candidates, around.lit * flicker, noise, static=static
    )

    state = np.full(n, FOUND, dtype="<U20")
    state[lost] = SATURATED
    outside = windows.outside()
    cut = np.any(outside & _within(windows, offset, shape.reach_px), axis=(1, 2))
    usable = ~outside & ~on_lines(windows, *dead)
    state[cut & ~lost] = AT_EDGE
    trusted = state == FOUND
    shape = replace(shape, gradient=_gradient(place, bright, trusted))
    task = _Task(separated.own, separated.weight, scaled_lit, noise, windows, panel)
    fitted, shape, variance, lines = _fit(task, usable, offset, shape, trusted, blur, dead)
    covered = covered_dots(fitted, variance, shape.reach_px)
    state[covered & (state == FOUND)] = COVERED
    shifts = _shifts(stack, scaled_lit, separated.explained, fitted, state == FOUND, variance)
    covariance = fitted.covariance
    found_noise = (
        noise_of_rest(stack, separated.explained, shifts, scaled_lit, separated.own) if static else None
    )
    if found_noise is not None:
        level = np.maximum(0.5 * fitted.light, 0.0)
        covariance = covariance * (found_noise.variance(level) / noise.variance(level))[:, None, None]
        noise = found_noise
    # Each dot was lit in frames of its own: what the picture moved in those is taken off.
    moved = (separated.weight * scaled_lit) @ np.nan_to_num(shifts)
    place = windows.centre + fitted.offset - moved
    sigma = np.sqrt(np.einsum("nii->n", covariance) / 2.0)
    good = np.flatnonzero(state == FOUND)
    if len(good) >= 16:
        expected = _best_map(panel[good], place[good])(panel[good])
        off = off_neighbours(panel[good], place[good], expected, sigma[good], shape.matrix[good])
        state[good[off]] = OFF
    share = separated.other_light / np.maximum(_total_light(fitted, shape), 1e-9)[:, None]
    good = state == FOUND
    return Measured(
        state=state,
        place=place,
        covariance=covariance,
        light=fitted.light,
        matrix=shape.matrix,
        others=separated.others,
        other_share=np.where(separated.others >= 0, share, 0.0),
        noise=noise,
        blur_px=fitted.blur_px,
        smear=_smear(fitted, good),
        shifts=shifts,
        flicker=flicker,
        dead_columns=lines[0],
        dead_rows=lines[1],
    )


@dataclass(frozen=True, eq=False)
class _Task:
    """What every step of the fit sees."""

    own: FloatArray
    frame_weight: FloatArray
    lit: FloatArray
    noise: Noise
    windows: Windows
    panel: FloatArray

    def variance(self, picture: FloatArray, level: FloatArray) -> FloatArray:
        """Return the variance of pixels of the own pictures, as expected of their light."""
        square = np.sum(self.frame_weight**2, axis=1)
        # Shot noise of the dot's own light comes with the frames in which it is lit.
        lit_square = np.sum(self.frame_weight**2 * self.lit, axis=1)
        dot = np.maximum(picture - level[:, None, None].astype(np.float32), 0.0)
        steady = self.noise.variance(np.maximum(level, 0.0)) * square
        shot = (self.noise.shot * lit_square)[:, None, None].astype(np.float32)
        result: FloatArray = steady[:, None, None].astype(np.float32) + shot * dot
        return result


def _fit(
    task: _Task,
    usable: BoolArray,
    offset: FloatArray,
    shape: DotShape,
    trusted: BoolArray,
    blur: float,
    dead: tuple[list[int], list[int]],
) -> tuple[Fitted, DotShape, FloatArray, tuple[list[int], list[int]]]:
    """Return the fit after its steps, the shape it used, the variance of pixels, dead columns and rows.

    The shape that dots have in common is found from some of them, spread evenly; then all are fitted.
    """
    own, windows = task.own, task.windows
    background = np.median(own[:, 0], axis=1)
    seen = Seen(own, task.variance(own, background), usable)
    offset = offset.copy()
    some = np.flatnonzero(trusted)
    some = some[:: max(1, len(some) // _FOR_SHAPE)]
    common = FieldShape(*nothing_in_common(), blur)
    for _ in range(_STEPS):
        if len(some) < LEAST_FOR_SHAPE:
            break
        part, part_shape = seen.take(some), shape.take(some)
        fitted = fit_dots(part, offset[some], part_shape, common)
        offset[some] = fitted.offset
        fine = ~covered_dots(fitted, part.variance, part_shape.reach_px)
        if np.count_nonzero(fine) >= LEAST_FOR_SHAPE:
            some = some[fine]
        common, better = find_shape(seen.take(some), offset[some], shape.take(some), blur)
        if abs(better - blur) > 0.02 * blur:
            blur = better
    lines = dead
    if len(some) >= LEAST_FOR_SHAPE:
        # Slopes and bends of the map by places that are right to some hundredths of a pixel.
        map_ = _best_map(task.panel[some], (windows.centre + offset)[some])
        shape = _shape(map_, task.panel, shape.radius, windows.centre + offset, shape.gradient)
    for step in range(2):
        fitted = fit_dots(seen, offset, shape, common)
        offset = fitted.offset
        variance = task.variance(fitted.model, fitted.background)
        if step == 0:
            lines = dead_lines(fitted, own, windows, lines)
            usable = usable & ~on_lines(windows, *lines) & ~odd_pixels(fitted, variance)
            trusted = trusted & ~covered_dots(fitted, variance, shape.reach_px)
            seen = Seen(own, variance, usable)
            if np.count_nonzero(trusted) >= LEAST_FOR_SHAPE:
                place = windows.centre + offset
                map_ = _best_map(task.panel[trusted], place[trusted])
                # A picture of the wrong size has the right light in all, not the right brightness.
                light = fitted.light * _area(shape.matrix) / _area(map_.slopes(task.panel))
                shape = _shape(map_, task.panel, shape.radius, place, _gradient(place, light, trusted))
                some = np.flatnonzero(trusted)
                some = some[:: max(1, len(some) // _FOR_SHAPE)]
                common, _ = find_shape(seen.take(some), offset[some], shape.take(some), blur)
    return fitted, shape, variance, lines


def _noise(stack: np.ndarray, lit: FloatArray, exposure: FloatArray, known: Noise | None) -> Noise:
    """Return the noise by frames of one exposure in which a dot is lit, and in which it is dark."""
    main = exposure == np.max(exposure)
    groups = [(lit > 0.0) & main, (lit == 0.0) & main]
    found = noise_of_repeats(stack, groups)
    if found is not None:
        return found
    if known is not None:
        return known
    # One frame: read noise from differences across the rim, shot noise unknown; taken as that of the rim.
    rim = stack[:, :, 0].astype(np.float64)
    differences = np.diff(rim, axis=-1)
    read = float(np.median(differences**2) / 0.4549 / 2.0)
    return Noise(max(read, 1.0 / 12.0), 0.0)


def _rough_blur(stack: np.ndarray, lit: FloatArray, offset: FloatArray, shape: DotShape) -> float:
    """Return the blur, the pixel's included, px, of the brightest dots' means over the frames they are lit in."""
    weight = lit / np.maximum(lit.sum(axis=1, keepdims=True), 1e-9)
    middle = stack.shape[2] // 2
    peak = np.sum(weight * stack[:, :, middle, middle], axis=1)
    chosen = np.argsort(-peak, kind="stable")[:_BRIGHTEST]
    mean = np.einsum("nf,nfyx->nyx", weight[chosen].astype(np.float32), stack[chosen]).astype(np.float64)
    variance = np.maximum(mean, 0.02 * mean.max(axis=(1, 2), keepdims=True)) + 1e-6
    return first_blur(mean, variance, offset[chosen], shape.take(chosen))


def _stray_light(stack: np.ndarray, place: FloatArray) -> np.ndarray:
    """Return light (n, frames) that lies evenly around dots: rims of windows, smoothed over the photograph."""
    rim = np.concatenate(
        [stack[:, :, 0], stack[:, :, -1], stack[:, :, 1:-1, 0], stack[:, :, 1:-1, -1]], axis=2
    )
    level = np.median(rim, axis=2)
    x, y = ((place - place.mean(axis=0)) / np.maximum(np.ptp(place, axis=0), 1.0)).T
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    result = np.empty_like(level)
    for frame, values in enumerate(level.T):
        weight = np.ones(len(values))
        for _ in range(4):
            root = np.sqrt(weight)
            found = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
            left = values - design @ found
            weight = 1.0 / (1.0 + (left / (2.0 * float(np.median(np.abs(left))) + 1e-3)) ** 2)
        result[:, frame] = design @ found
    return result


def _flicker(stack: np.ndarray, lit: FloatArray, windows: Windows) -> FloatArray:
    """Return the light of each frame (frames,) relative to its exposure, by the middles of lit dots."""
    middle, reach = windows.half, max(1, windows.half // 6)
    core = stack[:, :, middle - reach : middle + reach + 1, middle - reach : middle + reach + 1].mean(
        axis=(2, 3)
    )
    on = lit > 0.0
    level = np.where(on, core / np.where(on, lit, 1.0), np.nan)
    fine = np.isfinite(level).sum(axis=1) >= 2
    if not fine.any():
        return np.ones(lit.shape[1])
    ratio = level[fine] / np.nanmedian(level[fine], axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        found = np.array([np.nanmedian(one) if np.isfinite(one).any() else 1.0 for one in ratio.T])
    result: FloatArray = np.where((found > 0.5) & (found < 2.0), found, 1.0)
    return result


def _brightness(stack: np.ndarray, lit: FloatArray, static: bool) -> FloatArray:
    """Return the light of dots (n,) at their middles, for exposure 1, over what is there when they are dark."""
    middle = stack.shape[2] // 2
    core = stack[:, :, middle - 1 : middle + 2, middle - 1 : middle + 2].mean(axis=(2, 3))
    on = lit > 0.0
    light = np.sum(np.where(on, core, 0.0), axis=1) / np.maximum(lit.sum(axis=1), 1e-9)
    if static:
        light = light - np.sum(np.where(on, 0.0, core), axis=1) / np.maximum((~on).sum(axis=1), 1)
    return np.maximum(light, 1e-3)


def _best_map(panel: FloatArray, place: FloatArray, most: int = _LAST_DEGREE) -> SmoothMap:
    """Return a map of the highest degree that so many dots allow."""
    degree = 1
    while degree < most and len(panel) >= 3 * (degree + 2) * (degree + 3) // 2:
        degree += 1
    return fit_map(panel, place, degree)


def _shape(
    map_: SmoothMap, panel: FloatArray, radius: FloatArray, place: FloatArray, gradient: FloatArray
) -> DotShape:
    matrix = map_.slopes(panel)
    back = np.linalg.inv(matrix)
    half = map_.second(panel)
    form = np.empty((len(panel), 2, 2, 2))
    form[..., 0, 0], form[..., 1, 1] = half[..., 0], half[..., 2]
    form[..., 0, 1] = form[..., 1, 0] = half[..., 1] / 2.0
    form = np.einsum("nai,nkab,nbj->nkij", back, form, back)
    second = np.stack([form[..., 0, 0], 2.0 * form[..., 0, 1], form[..., 1, 1]], axis=-1)
    low, high = place.min(axis=0), place.max(axis=0)
    field_ = (place - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1.0)
    return DotShape(matrix, radius, second, gradient, field_)


def _gradient(place: FloatArray, bright: FloatArray, trusted: BoolArray) -> FloatArray:
    """Return the relative change of light a px (n, 2): of a smooth function over all dots, and of a plane
    through what it leaves of the logarithms around each.
    """
    good = np.flatnonzero(trusted)
    if len(good) < 2 * _AROUND:
        return np.zeros_like(place)
    logarithm = np.log(np.maximum(bright, 1e-3))
    smooth = _simplest_light(place[good], logarithm[good])
    rest = logarithm - smooth(place)[:, 0]
    near = good[cKDTree(place[good]).query(place, k=_AROUND)[1]]
    off = place[near] - place[:, None]
    size = np.abs(off).max(axis=(1, 2))[:, None]
    design = np.concatenate([np.ones((*near.shape, 1)), off / size[..., None]], axis=2)
    value = rest[near]
    weight = np.ones(near.shape)
    for _ in range(4):
        weighted = (design * weight[..., None]).transpose(0, 2, 1)
        normal = weighted @ design + 1e-6 * np.eye(3)
        found = np.linalg.solve(normal, weighted @ value[..., None])
        left = value - (design @ found)[..., 0]
        scale = 2.0 * np.median(np.abs(left), axis=1, keepdims=True) + 1e-4
        weight = 1.0 / (1.0 + (left / scale) ** 2)
    gradient: FloatArray = smooth.slopes(place)[:, 0] + found[:, 1:, 0] / size
    return gradient


def _simplest_light(place: FloatArray, logarithm: FloatArray) -> SmoothMap:
    """Return the function of the lowest degree that follows light nearly as well as the highest does.

    A higher one would take noise for slopes, most of all at the rim.
    """
    both = np.stack([logarithm] * 2, axis=1)
    best = _best_map(place, both, _LIGHT_DEGREE)
    least = float(np.median(np.abs(logarithm - best(place)[:, 0])))
    for degree in range(best.degree):
        simpler = fit_map(place, both, degree)
        if float(np.median(np.abs(logarithm - simpler(place)[:, 0]))) < _NEARLY * least + 1e-5:
            return simpler
    return best


def _within(windows: Windows, offset: FloatArray, reach: FloatArray) -> BoolArray:
    step = np.arange(-windows.half, windows.half + 1)
    x = step[None, None, :] - offset[:, 0, None, None]
    y = step[None, :, None] - offset[:, 1, None, None]
    result: BoolArray = x**2 + y**2 <= ((reach + 1.0) ** 2)[:, None, None]
    return result


def _area(matrix: FloatArray) -> FloatArray:
    area: FloatArray = np.abs(np.linalg.det(matrix))
    return area


def _total_light(fitted: Fitted, shape: DotShape) -> FloatArray:
    area = np.pi * shape.radius**2 * _area(shape.matrix)
    light: FloatArray = np.maximum(fitted.light, 0.0) * area
    return light


def _smear(fitted: Fitted, good: BoolArray) -> float:
    """Return by how much the blur is longer than wide, px: sqrt of the difference of its variances."""
    if not good.any():
        return 0.0
    xx, xy, yy = np.median(fitted.shape[good, :3], axis=0)
    return float(np.sqrt(np.hypot(xx - yy, 2.0 * xy)))


def _shifts(
    stack: np.ndarray,
    lit: FloatArray,
    explained: FloatArray,
    fitted: Fitted,
    good: BoolArray,
    variance: FloatArray,
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
