"""Shots: one pupil position of one channel, or of all, that is off as a whole: a stage slip, a turned camera.

Each group's residual as a whole is held against a polynomial over the other pupil positions.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.checking.exchanged import find_exchange
from prewarp.checking.outliers import Residuals, bounded
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checking.surface import MapModel
from prewarp.checking.windows import Places, agreement, is_determined, position_terms, window_numbers
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.frames import ARCMIN_PER_RADIAN

_HIGHEST_DEGREE = 3  # as the smooth model's over the pupil
_CHANCE = 1e-4
_LEAST_SIGMA, _LEAST_PX = 0.5, 0.1  # of one dot, and px: a shorter shift of a whole shot does no harm
_FEWEST_WINDOWS = 4
_SAMPLED = 4000
_EXPLAINS_BETTER = 0.7
_LEAST_SHIFT_PX_PER_MM = 0.2  # below, a position says nothing of directions: the image is too far away
_MOST_SHOTS = 12
_SAME_STEP = 0.5  # of the way between two positions, what may be left of it where they look exchanged


@dataclass(frozen=True, eq=False)
class Measured:
    """What a channel and colour says of its samples: smooth model, residuals from it, places.

    `model_px` (n, 2): what the model says of them, px, with the sign of residuals.
    """

    surface: MapModel
    residuals: Residuals
    places: Places

    model_px: FloatArray

    @property
    def sigma(self) -> float:
        """Robust noise of one component, px."""
        return self.residuals.sigma


@dataclass(frozen=True, eq=False)
class _Whole:
    """Shifts of the shots of a pair (k, 2) px, their samples (k,), and terms (k, p) of their positions."""

    groups: IntArray
    shift: FloatArray
    count: FloatArray
    terms: FloatArray
    sigma: float


def find_shots(
    samples: Samples, measured: Mapping[int, Measured], unseen_px: Mapping[int, float]
) -> tuple[list[Finding], BoolArray, list[FloatArray]]:
    """Return findings about shots that are off as a whole, one for each; (g,) True for their groups; and
    where they may have been captured in truth, (3,) mm each.

    `unseen_px`: by pair, how far a right shot may lie off since few positions do not show how the map bends.
    """
    meant_mm: list[FloatArray] = []
    wholes = {pair: whole for pair, one in measured.items() if (whole := _whole(one)) is not None}
    bad = np.zeros(len(samples.group_pair), dtype=bool)
    findings: list[Finding] = []
    tests = sum(len(whole.groups) for whole in wholes.values())
    while len(findings) < _MOST_SHOTS:
        found = _worst(samples, wholes, bad, tests, unseen_px)
        if not found:
            break
        bad[list(found)] = True
        told, step = _tell(samples, measured, found)
        findings.append(told)
        if np.isfinite(step).all():
            pupil = samples.pupils_mm[samples.group_pupil[next(iter(found))]]
            meant_mm.append(pupil + np.append(step, 0.0))
    if not findings:
        findings = _exchanged(samples, measured, wholes, unseen_px, bad)
    return findings, bad, meant_mm


def _exchanged(
    samples: Samples,
    measured: Mapping[int, Measured],
    wholes: Mapping[int, _Whole],
    unseen_px: Mapping[int, float],
    bad: BoolArray,
) -> list[Finding]:
    """Return the finding about two positions whose photographs were exchanged, or none; `bad` (g,) follows.

    A step from each to the other must explain what it is off by.
    """
    for pair, whole in wholes.items():
        use = np.flatnonzero(np.isfinite(whole.shift[:, 0]))
        least = max(_LEAST_SIGMA * whole.sigma, _LEAST_PX, unseen_px.get(pair, 0.0))
        found = find_exchange(whole.groups[use], whole.shift[use], whole.terms[use], least_px=least)
        if found is None:
            continue
        pupils = samples.group_pupil[found.groups]
        places = samples.pupils_mm[pupils]
        wanted = places[1, :2] - places[0, :2]
        steps = [
            _poses(samples, measured, {int(group): (shift, float(leverage))})[0]
            for group, shift, leverage in zip(found.groups, found.shift_px, found.leverage, strict=True)
        ]
        off = [np.hypot(*(step - sign * wanted)) for step, sign in zip(steps, (1.0, -1.0), strict=True)]
        if not max(off) <= _SAME_STEP * np.hypot(*wanted):
            continue
        groups = np.flatnonzero(np.isin(samples.group_pupil, pupils))
        bad[groups] = True
        size_px = float(np.hypot(*found.shift_px.T).max())
        one, two = (f"({', '.join(f'{value:g}' for value in place)})" for place in places)
        return [
            finding(
                "shot",
                "warning",
                f"the photographs at pupils {one} and {two} mm look exchanged: each is {size_px:.3g} px off "
                "what the other positions say, as if taken at the other's place.",
                "Exchange the positions written for these rows, or capture both again.",
                rows=samples.rows_of_groups(groups),
                pupil_mm=places[0],
                size=(size_px, "px"),
            )
        ]
    return []


def _whole(one: Measured) -> _Whole | None:
    """Return each shot's middle shift over windows of its panel: patches hardly move it."""
    terms = position_terms(one.places.position_mm, _HIGHEST_DEGREE)
    if terms is None:
        return None
    mild = bounded(one.residuals, max(one.sigma, 1e-9))
    window, (down, across) = window_numbers(one.places, (4, 4), (0, 0))
    means = agreement(one.places.local, window, down * across, mild, terms)
    usual = np.median(means.weight[means.weight > 0.0])
    mean = np.where((means.weight > 0.5 * usual)[..., None], means.mean, np.nan)
    enough = np.isfinite(mean[..., 0]).sum(axis=1) >= _FEWEST_WINDOWS
    shift = np.full((len(terms), 2), np.nan)
    # What the model misses at one window it misses from all pupils: the middle one over pupils goes first.
    seen = np.isfinite(mean[..., 0]).any(axis=0)
    mean = mean[:, seen] - np.nanmedian(mean[:, seen], axis=0)
    if enough.any():
        shift[enough] = np.nanmedian(mean[enough], axis=1)
    count = np.bincount(one.places.local, minlength=len(terms)).astype(float)
    return _Whole(one.places.groups, shift, count, terms, one.sigma)


def _worst(
    samples: Samples, wholes: Mapping[int, _Whole], bad: BoolArray, tests: int, unseen_px: Mapping[int, float]
) -> dict[int, tuple[FloatArray, float]]:
    """Return {group: (shift (2,) px off the other pupils, leverage)} of the worst pupil; empty if none is.

    All groups of that pupil that are off themselves come along.
    """
    deviation, ratio, freedom, left, own, leverage = {}, {}, {}, {}, {}, {}
    for whole in wholes.values():
        use = np.flatnonzero(np.isfinite(whole.shift[:, 0]) & ~bad[whole.groups])
        terms = whole.terms[use]
        size = terms.shape[1]
        if len(use) < size + 3 or not is_determined(terms):
            terms = terms[:, :1]
            size = 1
            if len(use) < 5:
                continue
        hat = terms @ np.linalg.pinv(terms)
        share = np.minimum(np.diag(hat), 0.999)
        e = whole.shift[use] - hat @ whole.shift[use]
        squared = (e * e).sum(axis=1) / (1.0 - share)
        degrees = 2.0 * (len(use) - size - 1)
        others = np.maximum((e * e).sum() - squared, 0.0)
        for place, group in enumerate(use):
            key = int(whole.groups[group])
            deviation[key] = e[place] / (1.0 - share[place])
            ratio[key] = squared[place]
            freedom[key], left[key] = degrees, others[place]
            own[key] = (1.5 * whole.sigma) ** 2 / max(whole.count[group], 1.0)
            leverage[key] = share[place]
    if not ratio:
        return {}
    chances: dict[int, float] = {}
    by_pupil: dict[int, list[int]] = {}
    for key in ratio:
        by_pupil.setdefault(int(samples.group_pupil[key]), []).append(key)
    for keys in by_pupil.values():
        # Colours of a channel share what the model misses, so their degrees of freedom count half.
        pooled = sum(left[key] for key in keys) / max(sum(freedom[key] for key in keys), 1e-9)
        for key in keys:
            variance = max(pooled, left[key] / freedom[key], own[key])
            degrees = freedom[key] * (1.0 + 0.5 * (len(keys) - 1))
            chances[key] = -0.5 * degrees * float(np.log1p(ratio[key] / variance / degrees))
    limit = float(np.log(_CHANCE / max(tests, 1)))

    def is_off(key: int) -> bool:
        pair = int(samples.group_pair[key])
        least = max(_LEAST_SIGMA * wholes[pair].sigma, _LEAST_PX, unseen_px.get(pair, 0.0))
        return chances[key] < limit and float(np.hypot(*deviation[key])) > least

    off = [key for key in chances if is_off(key)]
    if not off:
        return {}
    first = min(off, key=lambda key: chances[key])
    pupil = samples.group_pupil[first]
    return {key: (deviation[key], leverage[key]) for key in off if samples.group_pupil[key] == pupil}


def _tell(
    samples: Samples, measured: Mapping[int, Measured], found: dict[int, tuple[FloatArray, float]]
) -> tuple[Finding, FloatArray]:
    """Return the finding about a shot, and the step (2,) mm from its position that would explain it."""
    groups = sorted(found)
    pupil = int(samples.group_pupil[groups[0]])
    pairs = [int(samples.group_pair[group]) for group in groups]
    colours = len(samples.grid.colour_names)
    here = samples.group_pair[samples.group_pupil == pupil]
    channels = sorted({pair // colours for pair in pairs})
    all_channels = {int(pair) // colours for pair in here} == set(channels) and len(channels) > 1
    only = samples.channel_of(pairs[0]) if len(channels) == 1 else None
    one_colour = len(pairs) == 1 and int((here // colours == channels[0]).sum()) > 1
    size_px = max(
        _shift_px(samples, measured[pair], group, *found[group])
        for pair, group in zip(pairs, groups, strict=True)
    )
    move, position_left, turn, turn_left = _poses(samples, measured, found)
    where = samples.group_text(groups[0])
    text = f"all points at {where} are {size_px:.3g} px off what the other positions say"
    size: tuple[float, str] = (size_px, "px")
    seen = float(np.hypot(*move))
    if np.isfinite(seen):
        causes = [
            f"the position is off by ({move[0]:+.2g}, {move[1]:+.2g}) mm",
            f"the camera was turned by {float(np.hypot(*turn)):.2g} arcmin",
        ]
        if position_left < _EXPLAINS_BETTER * turn_left:
            causes, joint = causes[:1], ""
        elif turn_left < _EXPLAINS_BETTER * position_left:
            causes, joint = causes[1:], ""
        else:
            joint = " (these data do not tell which)"
        text += f", as if {' or '.join(causes)}{joint}"
        if all_channels and len(causes[0]) and causes[0].startswith("the position"):
            size = (seen, "mm")
    text += (
        "; the other channels are not." if only is not None and len(samples.grid.channel_names) > 1 else "."
    )
    mend = (
        "Check the stage's position and whether the camera turned; capture this position again."
        if all_channels
        else "Check the position written for these rows, and whether panel or camera moved; capture again."
    )
    told = finding(
        "shot",
        "warning",
        text,
        mend,
        channel=only,
        colour=samples.colour_of(pairs[0]) if one_colour else None,
        rows=samples.rows_of_groups(np.asarray(groups)),
        pupil_mm=samples.pupils_mm[pupil],
        size=size,
    )
    return told, move


def _shift_px(samples: Samples, one: Measured, group: int, shift: FloatArray, leverage: float) -> float:
    """Return how far a shot is off, px; from its own residuals where `shift` (2,) was bounded."""
    middle = float(np.hypot(*shift))
    if middle < 3.0 * one.sigma:
        return middle
    own = np.median(one.residuals.px[samples.group[one.residuals.index] == group], axis=0) / (1.0 - leverage)
    return max(middle, float(np.hypot(*own)))


def _poses(
    samples: Samples, measured: Mapping[int, Measured], found: dict[int, tuple[FloatArray, float]]
) -> tuple[FloatArray, float, FloatArray, float]:
    """Return the step in position (2,) mm and the turn (2,) arcmin that explain a shot best, with what each
    leaves.

    To first order direction cosines change by H d for a step d over the pupil plane, H = dq/d(x, y), and by
    -(r x s)_xy for a turn r of the camera, s the unit direction (derived here).
    """
    by_step, by_turn, values = [], [], []
    for group, (_, leverage) in found.items():
        one = measured[int(samples.group_pair[group])]
        index = one.residuals.index[samples.group[one.residuals.index] == group]
        index = index[np.linspace(0, len(index) - 1, min(len(index), _SAMPLED)).astype(int)]
        pixel, reference = samples.pixel[index], samples.reference_mm[index]
        by_step.append(
            np.stack(
                [
                    one.surface.terms(pixel, reference, derivative=axis) @ one.surface.coefficient
                    for axis in (2, 3)
                ],
                axis=-1,
            )
        )
        x, y = samples.cosine[index].T
        z = np.sqrt(np.maximum(1.0 - x * x - y * y, 0.0))
        none = np.zeros_like(z)
        # -(r x s)_xy = (r_z s_y - r_y s_z, r_x s_z - r_z s_x)
        by_turn.append(np.stack([np.stack([none, -z, y], axis=-1), np.stack([z, none, -x], axis=-1)], axis=1))
        values.append(one.surface.residual(samples, index) / (1.0 - leverage))
    rest = np.concatenate(values)
    typical = np.median(rest, axis=0)
    away = np.sqrt(((rest - typical) ** 2).sum(axis=1))
    near = away <= 4.0 * np.median(away) + 1e-12
    step, step_left = _solved(np.concatenate(by_step)[near], rest[near])
    turn, turn_left = _solved(np.concatenate(by_turn)[near], rest[near])
    return step, step_left, turn[:2] * ARCMIN_PER_RADIAN, turn_left


def _solved(design: FloatArray, values: FloatArray) -> tuple[FloatArray, float]:
    flat = design.reshape(-1, design.shape[-1])
    if np.linalg.norm(flat) / np.sqrt(len(flat)) < 1e-5:  # 0.01 dioptre: the step cannot be seen
        return np.full(flat.shape[1], np.nan), np.inf
    solution = np.asarray(np.linalg.lstsq(flat, values.reshape(-1), rcond=1e-6)[0], dtype=np.float64)
    left = values.reshape(-1) - flat @ solution
    return solution, float(np.mean(left * left))
