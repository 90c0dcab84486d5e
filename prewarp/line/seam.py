"""Seam error and focus step of units of a family, from what their shots leave open.

The seam is that of `prewarp.budget`: natural movement of the eye, its tracker, every moment. With c what was
found of a unit and c + z what it is, z drawn from the posterior, the picture that the device draws for the
tracked pupil e' is seen from e at

f(p, e) = f_0(p, e) + A(p, e) (c + z), where f_0(p, e') + A(p, e') c is the direction that was wanted,

A what one sigma of each tolerance moves. So the step from one channel to the other is the nominal one, that
of c by A(p, e) - A(p, e'), and that of z by A(p, e). The step of focus is the difference of the traces of the
slopes over the pupil (`frames.curvature_from_slope`), linear in c as well.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from prewarp.budget import BudgetScene, Tracker, seam_surface
from prewarp.budget.interval import half_width, percentile_interval
from prewarp.budget.of_eye import lit_times
from prewarp.budget.simulate import begin, draw_moments, effects_of, seam_steps
from prewarp.checks import FloatArray
from prewarp.errors import SeamError
from prewarp.eye import Eye, assemble_eyes
from prewarp.focus.wavefront import focus_from_slope
from prewarp.frames import (
    ARCMIN_PER_RADIAN,
    MM_PER_M,
    arcmin_step,
    reference_pupil,
    sight_axes,
    unit_from_tangent,
)
from prewarp.line.family import Family
from prewarp.line.package import nominal_fields
from prewarp.module import DisplayModule
from prewarp.seam.overlap import Overlap

SEAM, FOCUS = SEAM_FIGURES = ("seam_error_p95_arcmin", "focus_step_dioptres")
# Directions of an overlap, moments of each. Of all, in the order of the nominal unit's error, every so many
# are looked at for a unit: its own rank much like these. Draws of a unit.
_DIRECTIONS, _MOMENTS, _EVERY, _SAMPLES = 32, 1024, 16, 48
_FOCUS_DIRECTIONS = 2000
_SEED, _P95 = 8, 95.0
# A figure is a unit's own where its shots tell the steps to better than this share of what tolerances allow.
_TOLD = 0.5
# Steps by which slopes over the pupil are differenced, mm.
_PUPIL_STEP_MM = 0.5


@dataclass(frozen=True)
class Known:
    """What of a unit is known: value and sigma of a figure, or what it `needs`."""

    value: float = float("nan")
    sigma: float = float("nan")
    needs: str = ""


@dataclass(frozen=True, eq=False)
class _Steps:
    """Steps `nominal` (r, n), in `by_mean` (r, n, k) what coefficients add, in `by_rest` (r, n, k) what their
    errors do; r numbers a step. `rest` (n,): variance of what fields leave of their trace, both channels.
    """

    nominal: FloatArray
    by_mean: FloatArray
    by_rest: FloatArray
    rest: FloatArray

    def told(self, covariance: FloatArray, /) -> bool:
        """Whether a posterior says more of the steps than the tolerances."""
        own = np.einsum("rnk,kl,rnl->", self.by_rest, covariance, self.by_rest, optimize=True)
        return bool(own < _TOLD**2 * np.sum(self.by_rest**2))

    def lengths(self, mean: FloatArray, drawn: FloatArray, /) -> FloatArray:
        """Return lengths (n, draws) for coefficients (k,) and errors of them (k, draws)."""
        here = self.nominal + self.by_mean @ mean
        return np.asarray(
            np.sqrt(np.sum((here[..., None] + self.by_rest @ drawn) ** 2, axis=0) + self.rest[:, None])
        )


@dataclass(frozen=True, eq=False)
class SeamJudge:
    """Judges seam and focus of units: `seams`, `focus` of every overlap; `simulated` is the share by which
    the 95th percentile of so few moments may be off, 1-sigma.
    """

    seams: tuple[_Steps, ...]
    focus: tuple[_Steps, ...]
    simulated: float
    samples: FloatArray

    @staticmethod
    def of(family: Family, display: DisplayModule, tracker: Tracker, /) -> "SeamJudge":
        """Return the judge of a family's units in a display with an eye tracker.

        Raises
        ------
        ModuleError
            The display is another: its channels, colours or panels are not those of the family.
        """
        seams, focus, shares = [], [], []
        for eye in eyes_of(family, display):
            # Channels that do not meet have neither figure.
            with suppress(SeamError):
                for overlap in eye.overlaps():
                    steps, share = _seam(family, eye, overlap, tracker)
                    seams.append(steps)
                    shares.append(share)
                    focus.append(_focus(family, eye, overlap))
        random = np.random.default_rng(_SEED)
        samples = random.normal(size=(family.count, _SAMPLES))
        return SeamJudge(tuple(seams), tuple(focus), max(shares, default=0.0), samples)

    def figures(self, mean: FloatArray, covariance: FloatArray, /) -> Mapping[str, Known]:
        """Return the figures of a unit, by name, for mean (k,) and covariance (k, k) of its coefficients.

        The worst overlap counts.
        """
        values, vectors = np.linalg.eigh(covariance)
        drawn = vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * self.samples)
        found = {}
        for name, every in ((SEAM, self.seams), (FOCUS, self.focus)):
            if not every:
                found[name] = Known(needs="directions that two channels show from all of the eye box")
                continue
            if not all(one.told(covariance) for one in every):
                found[name] = Known(needs="more camera positions, or such as are known better")
                continue
            if name == SEAM:
                high = np.max(
                    [np.percentile(one.lengths(mean, drawn), _P95, axis=0) for one in every], axis=0
                )
                sigma = np.hypot(high.std(ddof=1), self.simulated * high.mean())
                found[name] = Known(float(high.mean()), float(sigma))
            else:
                # The largest of many that are not sure would come out too large.
                value = max(float(one.lengths(mean, 0.0 * drawn[:, :1]).max()) for one in every)
                high = np.max([one.lengths(mean, drawn).max(axis=0) for one in every], axis=0)
                found[name] = Known(value, float(high.std(ddof=1)))
        return found


def eyes_of(family: Family, display: DisplayModule, /) -> tuple[Eye, ...]:
    """Return the eyes of a display, with the nominal fields of a family.

    Raises
    ------
    ModuleError
        The display is another: its channels, colours or panels are not those of the family.
    """
    return tuple(assemble_eyes(nominal_fields(family), display))


def _seam(family: Family, eye: Eye, overlap: Overlap, tracker: Tracker) -> tuple[_Steps, float]:
    """Return steps at moments of an eye with its tracker, arcmin right and up; and `seam_moments`' share."""
    direction, true, tracked, share = seam_moments(eye, overlap, tracker)
    colour = eye.fields.colours[0]
    by_rest = np.zeros((2, len(direction), family.count))
    by_mean, rest, shown = np.zeros_like(by_rest), np.zeros(len(direction)), []
    known = np.ones(len(direction), dtype=bool)
    for sign, name in zip((-1.0, 1.0), overlap.channels, strict=True):
        field, own, places = eye.fields.field(name, colour), family.channels[name], family.places_of(name)
        modes = own.modes[family.colours.index(colour)]
        found = field.inverse(direction, pupil_mm=tracked)
        known &= found.valid
        pixel = np.where(found.valid[:, None], found.pixel, 0.5 * np.asarray(field.panel_size_px))
        seen = field.forward(pixel, pupil_mm=true)
        shown.append(seen)
        here = _turned(own.basis.sums(pixel, reference_pupil(seen, true), modes), seen)
        meant = _turned(own.basis.sums(pixel, reference_pupil(direction, tracked), modes), direction)
        by_rest[:, :, places] += sign * here
        by_mean[:, :, places] += sign * (here - meant)
        area = np.abs(np.linalg.det(field.jacobian(pixel, pupil_mm=true)))
        per_px = ARCMIN_PER_RADIAN * np.sqrt(area * unit_from_tangent(seen)[:, 2] ** 3)
        rest += (own.rest_px * per_px) ** 2
    nominal = arcmin_step(*shown).T
    known &= np.isfinite(nominal).all(axis=0)
    return _Steps(nominal[:, known], by_mean[:, known], by_rest[:, known], rest[known]), share


def seam_moments(
    eye: Eye, overlap: Overlap, tracker: Tracker, /
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return directions (n, 2), and where the pupil is and where the tracker has it (n, 3), mm, at moments
    with the pupil in the eye box; and the share by which the 95th percentile of the nominal unit's error may
    be off because moments are so many and no more, 1-sigma.
    """
    tangent, effects = overlap.thinned(_DIRECTIONS), effects_of(tracker)
    first, second = (eye.fields.field(name, eye.fields.colours[0]) for name in overlap.channels)
    surface = seam_surface(first, second, tangent, eye_box=eye.eye_box)
    scene = BudgetScene(surface, lit_ms=lit_times(eye, overlap.channels, tangent))
    path, streams = begin(scene, samples=_MOMENTS * len(tangent), seed=0)
    parts = []
    for place, direction in enumerate(tangent):
        moments = draw_moments(scene, path, streams[place], _MOMENTS)
        late = moments.late_mm(path, effects, scene.lit_s(place))
        step, apart = seam_steps(scene, place, moments, effects, late)
        inside = np.isfinite(step).all(axis=0)
        true = moments.pupil_mm.T
        if surface.is_flat:
            true = np.column_stack([reference_pupil(direction, true), np.zeros(len(true))])
        seen = np.broadcast_to(direction, (len(true), 2))
        every = (seen, true, true - apart.T, moments.block, np.hypot(*step))
        parts.append([one[inside] for one in every])
    direction, true, tracked, block, error = (np.concatenate(one) for one in zip(*parts, strict=True))
    order = np.argsort(error, kind="stable")
    value = float(np.percentile(error, _P95))
    share = 0.5 * half_width(value, percentile_interval(error[order], block[order], _P95))
    chosen = order[_EVERY // 2 :: _EVERY]
    return direction[chosen], true[chosen], tracked[chosen], share


def _turned(cosine: FloatArray, tangent: FloatArray) -> FloatArray:
    """Return small changes of direction cosines (2, k, n) about directions (n, 2) as turns to the right and
    up (2, n, k), arcmin.
    """
    unit = unit_from_tangent(tangent)
    # Of a unit vector: what moves it lies across it.
    ahead = -(unit[:, 0] * cosine[0] + unit[:, 1] * cosine[1]) / unit[:, 2]
    whole = np.concatenate([cosine, ahead[None]])
    return np.asarray(
        ARCMIN_PER_RADIAN * np.einsum("nac,ckn->ank", sight_axes(tangent), whole, optimize=True)
    )


def _focus(family: Family, eye: Eye, overlap: Overlap) -> _Steps:
    """Return the steps of image vergence, dioptres, from the middle of the eye box."""
    tangent, colour = overlap.thinned(_FOCUS_DIRECTIONS), eye.fields.colours[0]
    pupil, nominal = np.zeros((len(tangent), 3)), np.zeros(len(tangent))
    moved = np.zeros((1, len(tangent), family.count))
    known = np.ones(len(tangent), dtype=bool)
    for sign, name in zip((-1.0, 1.0), overlap.channels, strict=True):
        field, own = eye.fields.field(name, colour), family.channels[name]
        found = field.inverse(tangent, pupil_mm=pupil)
        known &= found.valid
        pixel = np.where(found.valid[:, None], found.pixel, 0.5 * np.asarray(field.panel_size_px))
        slope = field.pupil_jacobian(pixel, pupil_mm=pupil)
        nominal += sign * focus_from_slope(tangent, slope).dioptres
        modes = own.modes[family.colours.index(colour)]
        trace = np.zeros((modes.shape[1], len(tangent)))
        for axis, step in enumerate(_PUPIL_STEP_MM * np.eye(2)):
            ahead, behind = (own.basis.sums(pixel, pupil[:, :2] + side * step, modes) for side in (1.0, -1.0))
            per_mm = (ahead - behind) / (2.0 * _PUPIL_STEP_MM)
            # dt = sqrt(1 + |t|^2) (1 + t t^T) dq; the root is the length that the vergence is divided by.
            trace += per_mm[axis] + tangent[:, axis] * np.einsum("nb,bkn->kn", tangent, per_mm)
        moved[:, :, family.places_of(name)] += sign * -0.5 * MM_PER_M * trace.T[None]
    return _Steps(nominal[None, known], moved[:, known], moved[:, known], np.zeros(int(known.sum())))
