"""Where panel points lie in a photograph by the phases around each: quadratics for u and v, solved for it."""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.light import light_gradient
from prewarp.capture.extract.measure import Measured
from prewarp.capture.extract.phases import Phases
from prewarp.capture.extract.smooth import SmoothMap
from prewarp.capture.extract.windows import Windows
from prewarp.capture.patterns import SINE_MEAN, SINE_SWING
from prewarp.capture.sines import Sines
from prewarp.checks import BoolArray, FloatArray

# Of the modulation that the panel shows: less, and blur or stray light has taken it.
_LEAST_MODULATION = 0.2
# What is left may be so many times the noise, in variance, or so much of the modulation (RMS).
_MOST_LEFT, _MOST_SHARE = 6.0, 0.02
# Two periods agree to this, panel px, where half a px would name another place; a larger sigma tells nothing.
_MARGIN_PX, _LEAST_CERTAIN_PX = 0.25, 0.08
# Of the pixels of a window.
_LEAST_PIXELS = 0.7
# Off the dots' map by more, in spacings of dots, is another place.
_SAME_PLACE = 0.25
_STEPS = 4
DIM, STRANGE, UNSURE, ELSEWHERE = "low modulation", "no sine", "periods do not agree", "off the dots' map"
OVER, FAR = "saturated", "outside its window"


@dataclass(frozen=True, eq=False)
class Solved:
    """Where n points were found: `place` (n, 2) px, `matrix` (n, 2, 2) panel px per photograph px there,
    `variance` (n, 2) panel px^2 of u and v, `why` (n,) "" or the reason that a point does not count.
    """

    place: FloatArray
    matrix: FloatArray
    variance: FloatArray
    why: np.ndarray


def solved_points(
    phases: list[list[Phases]],
    sines: Sines,
    windows: Windows,
    panel: FloatArray,
    measured: Measured,
    back: SmoothMap,
    pitch: float,
) -> Solved:
    """Return where the points lie by quadratics through the phases of each window."""
    n, side = len(panel), windows.side
    step = np.arange(-windows.half, windows.half + 1, dtype=np.float64)
    x, y = (one.ravel() for one in np.meshgrid(step, step))
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    centre = windows.centre
    start, slopes = back(centre), back.slopes(centre)
    bend = np.stack(
        [2.0 * (back.second(centre)[..., axis, 0] + back.second(centre)[..., axis, 2]) for axis in (0, 1)], -1
    )
    mean = np.mean([one.mean.mean(axis=1) for axis in phases for one in axis], axis=0)
    # Blur mixes neighbours: the panel point of the middle is off by s^2 (slope . d log light + bend / 2).
    light = light_gradient(centre, np.maximum(mean, 1e-3), np.ones(n, dtype=bool))
    blurred = measured.blur_px**2 * (np.einsum("nai,ni->na", slopes, light) + 0.5 * bend)
    why = np.full(n, "", dtype="<U24")
    coefficients, variances = np.zeros((n, 2, 6)), np.zeros((n, 2))
    normal = np.zeros((n, 2, 6, 6))
    for axis in (0, 1):
        ahead = slopes[:, axis] @ np.stack([x, y])
        parts = [_part(one, period, start[:, axis], ahead) for one, period in
                 zip(phases[axis], sines.periods_px, strict=True)]  # fmt: skip
        weights = []
        for one, part, period in zip(phases[axis], parts, sines.periods_px, strict=True):
            size = np.abs(one.phasor).mean(axis=1)
            pixel = measured.noise.variance(np.maximum(one.mean.mean(axis=1), 0.0))
            weights.append(size**2 / (pixel * one.share) * (2.0 * np.pi / period) ** 2)
            shown = one.mean.mean(axis=1) * SINE_SWING / SINE_MEAN
            why[(why == "") & (size < _LEAST_MODULATION * shown)] = DIM
            allowed = np.maximum(_MOST_LEFT * pixel, (_MOST_SHARE * size) ** 2)
            fine = (one.left < allowed[:, None]) & part.fine
            part.fine[:] = fine
            why[(why == "") & (fine.mean(axis=1) < _LEAST_PIXELS)] = STRANGE
        use = parts[0].fine & parts[1].fine
        near = [_quadratics(design, part.off, use)[:, 0] for part in parts]
        place, apart = sines.place(start[:, axis] + near[0], start[:, axis] + near[1])
        grip = np.linalg.inv(np.einsum("np,pi,pj->nij", use.astype(float), design, design) + 1e-9 * np.eye(6))
        sure = np.sqrt(grip[:, 0, 0] * (1.0 / weights[0] + 1.0 / weights[1]))
        why[(why == "") & ((np.abs(apart) > _MARGIN_PX) | (sure > _LEAST_CERTAIN_PX))] = UNSURE
        moved = place - (start[:, axis] + near[0])
        why[(why == "") & ((np.abs(moved) > _SAME_PLACE * pitch) | ~sines.is_on_panel(place, axis))] = (
            ELSEWHERE
        )
        # Whole periods apart: the second's own places are brought to the first's.
        second = parts[1].off + (near[0] + moved - apart - near[1])[:, None]
        total = weights[0] + weights[1]
        both = (weights[0][:, None] * (parts[0].off + moved[:, None]) + weights[1][:, None] * second) / total[
            :, None
        ]
        coefficients[:, axis] = _quadratics(design, both, use)
        coefficients[:, axis, 0] -= blurred[:, axis]
        coefficients[:, axis, 1:3] += slopes[:, axis]
        normal[:, axis] = grip
        variances[:, axis] = 1.0 / total
    place = np.zeros((n, 2))
    for _ in range(_STEPS):
        values, matrix = _at(coefficients, place)
        rest = panel - start - values
        place = place + np.clip(np.linalg.solve(matrix, rest[..., None])[..., 0], -side, side)
    _, matrix = _at(coefficients, place)
    row = _terms(place)
    spread = np.einsum("ni,naij,nj->na", row, normal, row) * variances
    why[(why == "") & ~(np.abs(place).max(axis=1) < windows.half)] = FAR
    return Solved(centre + place, matrix, spread, why)


@dataclass(frozen=True, eq=False)
class _Part:
    """Panel places of one period by pixel (n, w), less a linear guess, px; `fine` (n, w)."""

    off: FloatArray
    fine: BoolArray


def _part(one: Phases, period: int, start: FloatArray, ahead: FloatArray) -> _Part:
    """Return by how much each pixel's place is off a guess, near the window's middle one."""
    turn = 2.0 * np.pi / period
    rest = one.phasor * np.exp(-1j * turn * (start[:, None] + ahead))
    middle = np.angle(rest.sum(axis=1))[:, None]
    phase = middle + np.angle(rest * np.exp(-1j * middle))
    size = np.abs(one.phasor)
    usual = np.median(size, axis=1, keepdims=True)
    return _Part(phase / turn, (size > 0.5 * usual) & (size < 2.0 * usual))


def _quadratics(design: FloatArray, values: FloatArray, use: BoolArray) -> FloatArray:
    """Return the six coefficients (n, 6) of quadratics through values (n, w) where they count."""
    weight = use.astype(float)
    normal = np.einsum("np,pi,pj->nij", weight, design, design, optimize=True) + 1e-9 * np.eye(6)
    found: FloatArray = np.linalg.solve(normal, ((weight * values) @ design)[..., None])[..., 0]
    return found


def _terms(place: FloatArray) -> FloatArray:
    x, y = place.T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _at(coefficients: FloatArray, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return values (n, 2) and slopes (n, 2, 2) of quadratics at places (n, 2) from the windows' middles."""
    x, y = place.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    along = (
        np.stack([zero, one, zero, 2.0 * x, y, zero], -1),
        np.stack([zero, zero, one, zero, x, 2.0 * y], -1),
    )
    values = np.einsum("nai,ni->na", coefficients, _terms(place))
    slopes = np.stack([np.einsum("nai,ni->na", coefficients, part) for part in along], axis=-1)
    return values, slopes
