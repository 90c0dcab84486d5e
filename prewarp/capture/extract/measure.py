"""From windows of named dots to their places, uncertainties and light, with what is refused and why."""

from dataclasses import dataclass, field, replace

import numpy as np

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
from prewarp.capture.extract.dot_shape import area_of, dot_shape
from prewarp.capture.extract.light import brightness, flicker_of, light_gradient, stray_light
from prewarp.capture.extract.noise import Noise, noise_by_light, noise_of_repeats, noise_of_rest
from prewarp.capture.extract.picture import PictureArray
from prewarp.capture.extract.separation import separate
from prewarp.capture.extract.shifts import frame_shifts
from prewarp.capture.extract.smooth import best_map
from prewarp.capture.extract.windows import Windows, crop
from prewarp.checks import BoolArray, FloatArray, IntArray

_STEPS = 2
_BRIGHTEST = 40
_FOR_SHAPE = 300
LEAST_FOR_SHAPE = 12

FOUND, COVERED, SATURATED = "found", "covered", "saturated"
AT_EDGE, OFF, WEAK = "at the edge", "off its neighbours", "too weak"
# Dots less certain than this, px, say nothing.
_LEAST_CERTAIN_PX = 0.3


@dataclass(frozen=True, eq=False)
class Around:
    """Marks whose light may fall on dots: `mark` (n, k) for each dot, -1 none; `lit` (m, frames) of all
    marks,
    as of the dots themselves, whether they were found or not: what is hidden may still show as a ghost.
    """

    mark: IntArray
    lit: FloatArray


@dataclass(frozen=True, eq=False)
class Measured:
    """Dots measured, in the order given. `state` (n,) str; `place` (n, 2) px of the photograph; `covariance`
    (n, 2, 2) px^2; `light` (n,) codes for exposure 1; `matrix` (n, 2, 2) photograph px per panel px;
    `spread` (n, 3) second moments xx, xy, yy of what blurs the dot, the pixel apart, px^2; `others` (n, 4)
    marks whose light was taken out of the dot, -1 none; `other_share` (n, 4) that light by the dot's own.
    """

    state: np.ndarray
    place: FloatArray
    covariance: FloatArray
    light: FloatArray
    matrix: FloatArray
    spread: FloatArray
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
        Of the same camera, where frames that repeat are too few to find it; else it is found by what the
        pictures of dots leave, and dots are measured again with it.
    """
    as_given = stack
    first_windows = windows
    n, frames = lit.shape
    place = windows.centre + offset
    dark = lit == 0.0
    static = bool(np.all(dark.sum(axis=1) >= 3))
    stack = stack - stray_light(stack, place)[:, :, None, None]
    map_ = best_map(panel, place)
    shape = dot_shape(map_, panel, radius, place, np.zeros((n, 2)))
    blur = _rough_blur(stack, np.where(saturated, 0.0, lit), offset, shape)
    half = int(np.ceil(np.quantile(shape.reach_px, 0.98) + REACH_BLURS * blur + 2.0))
    if half < windows.half:
        windows, stack = windows.cropped(half), crop(stack, half)
    counted = np.where(saturated, 0.0, lit)
    flicker = flicker_of(stack, counted, windows)
    scaled_lit, scaled_exposure = lit * flicker, exposure * flicker
    steady = stack / np.maximum(flicker, 1e-3)[None, :, None, None].astype(np.float32)
    repeats = _noise_of_repeats(steady, counted, lit == 0.0, exposure)
    noise = repeats or known_noise or _noise_of_rim(stack)
    bright = brightness(stack, counted * flicker, dark)
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
    shape = replace(shape, gradient=light_gradient(place, bright, trusted))
    task = _Task(separated.own, separated.weight, scaled_lit, noise, windows, panel)
    fitted, shape, variance, lines = _fit(task, usable, offset, shape, trusted, blur, dead)
    if repeats is None and known_noise is None and np.count_nonzero(trusted) >= LEAST_FOR_SHAPE:
        better = task.noise_of_fit(fitted, trusted)
        return measure_dots(
            as_given, saturated, first_windows, lit, exposure, offset, panel, radius, around, dead, better
        )
    covered = covered_dots(fitted, variance, shape.reach_px)
    state[covered & (state == FOUND)] = COVERED
    shifts = frame_shifts(stack, counted * flicker, separated.explained, fitted, state == FOUND, variance)
    covariance = fitted.covariance
    found_noise = (
        noise_of_rest(stack, separated.explained, shifts, scaled_lit, separated.own, ~saturated)
        if static
        else None
    )
    if found_noise is not None:
        level = np.maximum(0.5 * fitted.light, 0.0)
        covariance = covariance * (found_noise.variance(level) / noise.variance(level))[:, None, None]
        noise = found_noise
    # Each dot was lit in frames of its own: what the picture moved in those is taken off.
    moved = (separated.weight * scaled_lit) @ np.nan_to_num(shifts)
    place = windows.centre + fitted.offset - moved
    sigma = np.sqrt(np.einsum("nii->n", covariance) / 2.0)
    state[(state == FOUND) & ~(sigma < _LEAST_CERTAIN_PX)] = WEAK
    good = np.flatnonzero(state == FOUND)
    if len(good) >= 16:
        expected = best_map(panel[good], place[good])(panel[good])
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
        spread=fitted.spread,
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

    def variance(self, picture: PictureArray, level: FloatArray) -> PictureArray:
        """Return the variance of pixels of the own pictures, as expected of their light."""
        square = np.sum(self.frame_weight**2, axis=1)
        # Shot noise of the dot's own light comes with the frames in which it is lit.
        lit_square = np.sum(self.frame_weight**2 * self.lit, axis=1)
        dot = np.maximum(picture - level[:, None, None].astype(np.float32), 0.0)
        steady = self.noise.variance(np.maximum(level, 0.0)) * square
        shot = (self.noise.shot * lit_square)[:, None, None].astype(np.float32)
        result: PictureArray = steady[:, None, None].astype(np.float32) + shot * dot
        return result

    def noise_of_fit(self, fitted: Fitted, good: BoolArray) -> Noise:
        """Return the noise by what the fitted pictures of `good` dots (n,) leave, by their light."""
        square = np.sum(self.frame_weight**2, axis=1)
        lit_square = np.sum(self.frame_weight**2 * self.lit, axis=1)
        inside = fitted.inside & good[:, None, None]
        level = fitted.model * (lit_square / square)[:, None, None]
        left = fitted.left**2 / square[:, None, None]
        # The median of chi^2 of one degree of freedom is 0.4549.
        return noise_by_light(level[inside].astype(np.float64), left[inside].astype(np.float64) / 0.4549)


def _fit(
    task: _Task,
    usable: BoolArray,
    offset: FloatArray,
    shape: DotShape,
    trusted: BoolArray,
    blur: float,
    dead: tuple[list[int], list[int]],
) -> tuple[Fitted, DotShape, PictureArray, tuple[list[int], list[int]]]:
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
        map_ = best_map(task.panel[some], (windows.centre + offset)[some])
        shape = dot_shape(map_, task.panel, shape.radius, windows.centre + offset, shape.gradient)
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
                map_ = best_map(task.panel[trusted], place[trusted])
                # A picture of the wrong size has the right light in all, not the right brightness.
                light = fitted.light * area_of(shape.matrix) / area_of(map_.slopes(task.panel))
                shape = dot_shape(
                    map_, task.panel, shape.radius, place, light_gradient(place, light, trusted)
                )
                some = np.flatnonzero(trusted)
                some = some[:: max(1, len(some) // _FOR_SHAPE)]
                common, _ = find_shape(seen.take(some), offset[some], shape.take(some), blur)
    return fitted, shape, variance, lines


def _noise_of_repeats(
    stack: np.ndarray, lit: FloatArray, dark: BoolArray, exposure: FloatArray
) -> Noise | None:
    """Return the noise by frames of one exposure in which a dot is lit, and in which it is dark."""
    values, counts = np.unique(exposure, return_counts=True)
    main = exposure == values[np.argmax(counts)]
    return noise_of_repeats(stack, [(lit > 0.0) & main, dark & main])


def _noise_of_rim(stack: np.ndarray) -> Noise:
    """Return the read noise by differences across the rims of windows; shot noise is not known."""
    rim = stack[:, :, 0].astype(np.float64)
    differences = np.diff(rim, axis=-1)
    read = float(np.median(differences**2) / 0.4549 / 2.0)
    return Noise(max(read, 1.0 / 12.0), 0.0)


def _rough_blur(stack: np.ndarray, lit: FloatArray, offset: FloatArray, shape: DotShape) -> float:
    """Return the blur, the pixel's included, px, of the brightest dots' means over the frames they are lit
    in.
    """
    weight = lit / np.maximum(lit.sum(axis=1, keepdims=True), 1e-9)
    middle = stack.shape[2] // 2
    peak = np.sum(weight * stack[:, :, middle, middle], axis=1)
    chosen = np.argsort(-peak, kind="stable")[:_BRIGHTEST]
    mean = np.einsum("nf,nfyx->nyx", weight[chosen].astype(np.float32), stack[chosen]).astype(np.float64)
    variance = np.maximum(mean, 0.02 * mean.max(axis=(1, 2), keepdims=True)) + 1e-6
    return first_blur(mean, variance, offset[chosen], shape.take(chosen))


def _within(windows: Windows, offset: FloatArray, reach: FloatArray) -> BoolArray:
    step = np.arange(-windows.half, windows.half + 1)
    x = step[None, None, :] - offset[:, 0, None, None]
    y = step[None, :, None] - offset[:, 1, None, None]
    result: BoolArray = x**2 + y**2 <= ((reach + 1.0) ** 2)[:, None, None]
    return result


def _total_light(fitted: Fitted, shape: DotShape) -> FloatArray:
    area = np.pi * shape.radius**2 * area_of(shape.matrix)
    light: FloatArray = np.maximum(fitted.light, 0.0) * area
    return light


def _smear(fitted: Fitted, good: BoolArray) -> float:
    """Return by how much the blur is longer than wide, px: sqrt of the difference of its variances."""
    if not good.any():
        return 0.0
    xx, xy, yy = np.median(fitted.shape[good, :3], axis=0)
    return float(np.sqrt(np.hypot(xx - yy, 2.0 * xy)))
