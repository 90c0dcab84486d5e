"""Dense places: chosen panel points where photographs of shifted sines show them.

The map of the view's dots says where to look; which place of the panel it is, the two periods say by
themselves. Around each point the phases of a window of pixels are fitted by quadratics, for u and for v,
which are solved for the point.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from prewarp.capture.extract.dense_fit import OVER, Solved, solved_points
from prewarp.capture.extract.frames import PanelMarks, Sensor, readable
from prewarp.capture.extract.measure import FOUND
from prewarp.capture.extract.near import nearest, spacing_of
from prewarp.capture.extract.phases import Phases, phases_of
from prewarp.capture.extract.smooth import best_map
from prewarp.capture.extract.view import View
from prewarp.capture.extract.windows import Windows, windows_around
from prewarp.capture.patterns import SINE_MEAN
from prewarp.capture.plan import Photograph
from prewarp.capture.sines import LEAST_SHIFTS, Sines
from prewarp.checks import BoolArray, FloatArray

# Half a window, px of the photograph: bends beyond the second order do not show in it.
_HALF = 6
SINE_SIDE_PX = 2 * _HALF + 1
# Columns times rows of a lattice are not more than so many times its dots.
_LATTICE = 4
# Dots that both ways measure; and by how much they may differ, px of the photograph.
_FEWEST_BOTH, _MOST_APART_PX = 12, 0.2
# Differences from the dots are told from so many times what is expected, shifts from so many px; harmonics
# and flicker from so many percent, points that are refused from such a share.
_TOLD, _TOLD_SHIFT_PX, _TOLD_PERCENT, _TOLD_SHARE = 1.5, 0.05, 5.0, 0.05


@dataclass(frozen=True, eq=False)
class Dense:
    """Points that sines show: `panel` (n, 2) px, `place` (n, 2) px of the photograph, `sigma_px` (n,) by
    axis, panel px, `light` (n,) of white, codes per ms; `figures` for the report; `findings` in words.
    """

    panel: FloatArray
    place: FloatArray
    sigma_px: FloatArray
    light: FloatArray
    figures: dict[str, Any] = field(default_factory=dict)
    findings: list[str] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.panel)


def no_points(figures: dict[str, Any], *findings: str) -> Dense:
    """Return no point, with the reason."""
    nothing = np.zeros((0, 2))
    return Dense(nothing, nothing, np.zeros(0), np.zeros(0), figures, list(findings))


def dense_points(
    rows: list[Photograph],
    read: Callable[[Photograph], np.ndarray],
    sensor: Sensor,
    sines: Sines,
    view: View,
    marks: PanelMarks,
    parts: int,
) -> Dense:
    """Return the points that photographs of sines show.

    Parameters
    ----------
    rows : list of Photograph
        Of one view, of kind sine.
    read : callable
        The values of one.
    view, marks : View, PanelMarks
        Dots of the same pose, channel and colour.
    parts : int
        Into how many parts the distance of dots is cut; 1: no point between dots, the two are compared alone.
    """
    measured = view.measured
    assert measured is not None
    good = measured.state == FOUND
    if np.count_nonzero(good) < _FEWEST_BOTH:
        return no_points({}, "sines are not read: too few dots say where to look.")
    dots, seen = marks.panel[view.mark[good]], measured.place[good]
    between = points_between(marks.panel, dots, parts)
    panel = np.concatenate([dots, between])
    map_, back = best_map(dots, seen), best_map(seen, dots)
    findings: list[str] = []
    first = next(((row, one) for row, one in readable(rows, read, findings)), None)
    if first is None:
        return no_points({}, *findings, "sines are not read: none of their photographs can be read.")
    shape = first[1].shape
    windows = windows_around(map_(panel), _HALF, (shape[0], shape[1]))
    inside: BoolArray = np.asarray(~windows.outside().any(axis=(1, 2)))
    both = np.arange(len(panel)) < len(dots)
    panel, both, windows = panel[inside], both[inside], windows.take(np.flatnonzero(inside))
    phases, saturated, exposure = _phases(rows, read, sensor, sines, windows, findings)
    if phases is None:
        return no_points({}, *dict.fromkeys(findings))
    found = solved_points(phases, sines, windows, panel, measured, back, spacing_of(marks.panel))
    found.why[saturated] = OVER
    known = inside[: len(dots)]
    variance = np.einsum("nii->n", measured.covariance[good][known]) / 2.0
    done = _compared(found, phases, _Both(both, seen[known], variance), panel, exposure)
    # A photograph that cannot be read may have been asked for twice.
    return replace(done, findings=list(dict.fromkeys([*findings, *done.findings])))


def points_between(lattice: FloatArray, dots: FloatArray, parts: int) -> FloatArray:
    """Return points (n, 2) that cut the distance of a lattice's dots (m, 2) into parts, among those `dots`
    (k, 2) that were found, the dots themselves left out; on whole and half px as dots are.
    """
    if parts < 2:
        return np.zeros((0, 2))
    levels = []
    own_levels = [np.unique(np.round(2.0 * one) / 2.0) for one in lattice.T]
    if len(own_levels[0]) * len(own_levels[1]) > _LATTICE * len(lattice):
        # Marks that are no lattice: an even one over them, as dense.
        many = int(np.ceil(np.sqrt(len(lattice))))
        own_levels = [np.linspace(one[0], one[-1], many) for one in own_levels]
    for own in own_levels:
        steps = np.interp(np.arange((len(own) - 1) * parts + 1) / parts, np.arange(len(own)), own)
        levels.append(np.round(2.0 * steps) / 2.0)
    points = np.stack(np.meshgrid(*levels), axis=-1).reshape(-1, 2)
    pitch = spacing_of(lattice)
    away = nearest(lattice, points)[0][:, 0] > 0.25 * pitch / parts
    near = nearest(dots, points)[0][:, 0] < 0.9 * pitch
    between: FloatArray = points[away & near]
    return between


def _phases(
    rows: list[Photograph],
    read: Callable[[Photograph], np.ndarray],
    sensor: Sensor,
    sines: Sines,
    windows: Windows,
    findings: list[str],
) -> tuple[list[list[Phases]] | None, BoolArray, float]:
    """Return phases by axis and period, None where too few shifts are there; which windows are saturated; the
    exposure, ms.
    """
    saturated = np.zeros(len(windows.middle), dtype=bool)
    exposure = min(row.exposure_ms for row in rows)
    found: list[list[Phases]] = [[], []]
    for axis in (0, 1):
        for period in (0, 1):
            own = [
                row
                for row in rows
                if row.step < sines.steps
                and row.exposure_ms == exposure
                and sines.of_step(row.step)[:2] == (axis, period)
            ]
            stack, shifts = [], []
            for row, values in readable(own, read, findings):
                cut = windows.cut(values).reshape(len(saturated), -1)
                saturated |= np.any(cut >= sensor.saturated, axis=1)
                stack.append(sensor.codes(cut))
                shifts.append(sines.of_step(row.step)[2])
            if len(set(shifts)) < LEAST_SHIFTS:
                findings.append(
                    f"sines are not read: {len(set(shifts))} of {sines.shifts} shifts of the "
                    f"{('first', 'second')[period]} period along {'uv'[axis]}; needs {LEAST_SHIFTS}. Take "
                    "the missing ones again."
                )
                return None, saturated, exposure
            found[axis].append(phases_of(np.stack(stack, axis=1), np.array(shifts)))
    return found, saturated, exposure


@dataclass(frozen=True, eq=False)
class _Both:
    """Which points are dots, (n,), and of those (k,) what the dots' own photographs say: `place` (k, 2) px
    and `variance` (k,) by axis, px^2.
    """

    is_dot: BoolArray
    place: FloatArray
    variance: FloatArray


def _compared(
    found: Solved, phases: list[list[Phases]], both: _Both, panel: FloatArray, exposure: float
) -> Dense:
    """Return the points between the dots, moved and stated as the dots that both ways measure say."""
    fine = found.why == ""
    figures = _figures(found, phases, ~both.is_dot)
    into = np.linalg.inv(found.matrix)
    spread = np.einsum("nab,nb,nab->n", into, found.variance, into) / 2.0
    at = np.flatnonzero(both.is_dot & fine)
    dot = (np.cumsum(both.is_dot) - 1)[at]
    if len(at) < _FEWEST_BOTH:
        told = f"sines are not read: {len(at)} of {len(both.place)} dots are seen in them as well"
        return no_points(figures, f"{told}, needs {_FEWEST_BOTH}. {_most(found.why)}")
    off = found.place[at] - both.place[dot]
    shift = np.median(off, axis=0)
    rms = float(np.sqrt(np.mean((off - shift) ** 2)))
    expected = float(np.sqrt(np.mean(spread[at] + both.variance[dot])))
    figures |= {
        "dots_compared": len(at),
        "shift_px": [round(float(one), 5) for one in shift],
        "difference_px_rms": round(rms, 5),
        "difference_expected_px_rms": round(expected, 5),
    }
    findings = _words(figures, shift, rms, expected)
    if rms > _MOST_APART_PX:
        return no_points(figures, *findings)
    kept = np.flatnonzero(~both.is_dot & fine)
    more = max(rms**2 - expected**2, 0.0) * np.sum(found.matrix[kept] ** 2, axis=(1, 2)) / 2.0
    mean = np.mean([one.mean.mean(axis=1) for axis in phases for one in axis], axis=0)
    sigma = np.sqrt(found.variance[kept].mean(axis=1) + more)
    figures["sigma_px_median"] = round(float(np.median(sigma)), 5) if len(kept) else None
    light = mean[kept] / SINE_MEAN / exposure
    return Dense(panel[kept], found.place[kept] - shift, sigma, light, figures, findings)


def _figures(found: Solved, phases: list[list[Phases]], between: BoolArray) -> dict[str, Any]:
    reasons, counts = np.unique(found.why[between & (found.why != "")], return_counts=True)
    flat = [one for axis in phases for one in axis]
    modulation = [
        np.median(np.abs(one.phasor).mean(axis=1) / np.maximum(one.mean.mean(axis=1), 1e-9)) for one in flat
    ]
    return {
        "points": int(np.count_nonzero(between & (found.why == ""))),
        "of_points": int(np.count_nonzero(between)),
        "refused": {str(reason): int(count) for reason, count in zip(reasons, counts, strict=True)},
        "modulation_percent": round(100.0 * float(np.min(modulation)), 2),
        "harmonics_percent": [
            round(100.0 * float(max((one.harmonics[k] for one in flat), key=abs)), 3) for k in (0, 1)
        ],
        "flicker_percent": round(100.0 * max(one.flicker for one in flat), 3),
    }


def _words(figures: dict[str, Any], shift: FloatArray, rms: float, expected: float) -> list[str]:
    words = []
    if rms > _MOST_APART_PX:
        words.append(
            f"sines are not read: they differ from the dots by {rms:.2f} px RMS, and "
            f"{expected:.3f} are expected. Did the stage move in between, or does a strong ghost "
            "lie on them? The dots are kept."
        )
    elif rms > _TOLD * expected:
        words.append(
            f"sines differ from the dots by {rms:.3f} px RMS where {expected:.3f} are expected: "
            "something moves phases and not dots (light of ghosts, which codes take out of dots "
            "alone; drift from shift to shift). sigma_px of their points includes the difference."
        )
    if np.hypot(*shift) > _TOLD_SHIFT_PX:
        words.append(
            f"the picture moved by {float(np.hypot(*shift)):.2f} px between dots and sines; "
            "points were shifted back to where the dots were. Let the bench warm up."
        )
    if max(map(abs, figures["harmonics_percent"])) > _TOLD_PERCENT:
        words.append(
            f"sines hold {figures['harmonics_percent'][0]:.1f} % of the second and "
            f"{figures['harmonics_percent'][1]:.1f} % of the third harmonic: the panel's encoding "
            "is not as the module file says, or the camera is not linear. Places do not suffer "
            "from that; a luminance map does."
        )
    if figures["flicker_percent"] > _TOLD_PERCENT:
        words.append(
            f"light changed by {figures['flicker_percent']:.1f} % between sines; the change was taken out."
        )
    refused = sum(figures["refused"].values())
    if refused > _TOLD_SHARE * max(figures["of_points"], 1):
        why = ", ".join(f"{count} {reason}" for reason, count in figures["refused"].items())
        words.append(
            f"{refused} of {figures['of_points']} points between dots are not read from sines: {why}."
        )
    return words


def _most(why: np.ndarray) -> str:
    """Return the reason that most points have, as a sentence."""
    reasons, counts = np.unique(why[why != ""], return_counts=True)
    return f"Of most others: {reasons[np.argmax(counts)]}." if len(reasons) else ""
