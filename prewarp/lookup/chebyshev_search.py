"""The smallest sparse Chebyshev terms of one channel, all colours, for a stated error.

Rounding coefficients leaves out thousands of small ones. They add up at the corners of panel and eye box,
where all functions are +-1, to ten times what they do elsewhere. What is kept can mend that: coefficients are
moved a little, before they are rounded, until no place is further off than asked for.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray, IntArray
from prewarp.lookup.candidates import (
    LARGEST_STEP,
    LEAST_STEP_PX,
    PANEL_PROBES,
    ChannelProblem,
    Probe,
    Tables,
    probe_pupils,
)
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, rounded_codes
from prewarp.lookup.pins import Pins
from prewarp.lookup.pupil import pupil_count, pupil_values
from prewarp.lookup.tables import MAX_PANEL_DEGREE, MAX_PUPIL_DEGREE
from prewarp.lookup.term_bits import LARGEST_TERM

# Coefficients below this share of the limit are left out from the start: thousands make one thousandth.
_NEGLIGIBLE = 1e-6
# Moves of coefficients: how often, how often in vain, and to which share of the limit errors are brought.
_MOVES, _IN_VAIN, _AIM = 12, 3, 0.85
# After so many moves so many times the limit: it will not be reached.
_HOPELESS = 3, 2.0
# Between the places where tables are tried errors are larger: this share of the limit is allowed there.
_BETWEEN = 0.92
# The first step that is tried, as a share of the limit, and when two steps are near enough to each other.
_FIRST_STEP, _NEAR = 0.03, 1.08
# Lengths of a move that are tried, as shares of one that takes the worst place to zero.
_LENGTHS = np.geomspace(0.05, 2.0, 12)


@dataclass(frozen=True)
class _Tried:
    """Codes of every map of a channel, their step, and the error that is left."""

    codes: list[IntArray]
    step: float
    error: float


def chebyshev_search(problem: ChannelProblem, limit_px: float, pins: Pins, /) -> tuple[Tables | None, float]:
    """Return the smallest tables of Chebyshev terms within `limit_px`, and the smallest error met on the way.

    The first is None where codes of 24 bits cannot reach the limit. Nothing of `pins` concerns these tables.
    """
    trial = _Trial(problem, _BETWEEN * limit_px)
    found: _Tried | None = None
    closest, low, high = np.inf, 0.0, np.inf
    step_px = _FIRST_STEP * limit_px
    while high > _NEAR * low and LEAST_STEP_PX <= step_px <= LARGEST_STEP * limit_px:
        tried = trial.tried(step_px)
        closest = closest if tried is None else min(closest, tried.error)
        if tried is not None and tried.error > trial.limit_px:
            high = step_px
        else:
            # Codes that do not fit need a larger step.
            low, found = step_px, tried or found
        step_px = np.sqrt(low * high) if 0.0 < low <= high < np.inf else 2.0 * low or 0.5 * high
    if found is None:
        return None, closest
    return problem.placed(chebyshev_table(one, found.step) for one in found.codes), closest


class _Trial:
    def __init__(self, problem: ChannelProblem, limit_px: float) -> None:
        self.limit_px = limit_px
        # Tangents per px: the unit of steps.
        unit = Probe(problem, *2 * (_ends(PANEL_PROBES),)).typical_px
        base, *others = _trimmed(
            [graded_coefficients(part) for part in problem.parts], _NEGLIGIBLE * limit_px / unit
        )
        self.parts = [base, *others]
        _, functions, panel_functions = base.shape
        panel_degree = _degree_for(panel_functions, count_of_degree, MAX_PANEL_DEGREE)
        # Between fewer places than these functions of high degree hide their errors.
        ends = _ends(max(PANEL_PROBES, 3 * panel_degree // 2))
        self.probe = Probe(problem, ends, ends)
        s, t = np.meshgrid(ends, ends)
        self.panel = values_2d(s.ravel(), t.ravel(), panel_degree)[:panel_functions]
        self.pupil = pupil_values(probe_pupils(), _degree_for(functions, pupil_count, MAX_PUPIL_DEGREE))

    def tried(self, step_px: float) -> _Tried | None:
        """Return codes of a step in px; None where they do not fit.

        A map that builds on a base is moved by what both miss. It is not the rest of what the base's codes
        give: that would have codes at degrees at which the maps do not differ, and a mesh more lines.
        """
        step = float(np.float32(step_px / self.probe.typical_px))
        codes: list[IntArray] = []
        misses: list[FloatArray] = []
        for wanted in self.parts:
            if float(np.abs(wanted).max()) >= step * (LARGEST_TERM - 1):
                return None
            found, miss = self._moved(wanted, step, misses[0] if misses else np.zeros(1))
            codes.append(found)
            misses.append(miss)
            if self.probe.largest([miss]) > self.limit_px:
                break
        return _Tried(codes, step, self.probe.largest(misses))

    def _moved(self, wanted: FloatArray, step: float, base: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the codes of the least largest error, and what they and the base miss at the probes."""
        shift = np.zeros_like(wanted)
        best: tuple[float, IntArray, FloatArray] | None = None
        in_vain = 0
        for move in range(_MOVES):
            codes = rounded_codes(wanted + shift, step)
            miss = base + self._seen(step * codes - wanted)
            px = self.probe.px(miss)
            size = np.linalg.norm(px, axis=-1)
            error = float(size.max())
            in_vain = 0 if best is None or error < best[0] else in_vain + 1
            if best is None or error < best[0]:
                best = error, codes, miss
            hopeless = move >= _HOPELESS[0] and best[0] > _HOPELESS[1] * self.limit_px
            if error <= self.limit_px or in_vain > _IN_VAIN or hopeless or not codes.any():
                break
            # Back to the limit where it is exceeded, by the functions that have codes.
            most = _AIM * self.limit_px
            share = np.maximum(1.0 - most / np.maximum(size, most), 0.0)
            pull = np.where(codes != 0, self._gathered(miss * share[..., None]), 0.0)
            effect = self.probe.px(self._seen(pull))
            whole = float(np.linalg.norm(effect, axis=-1).max())
            if whole == 0.0:
                break
            near = size > 0.5 * most
            left = [
                float(np.linalg.norm(px[near] - length * error / whole * effect[near], axis=-1).max())
                for length in _LENGTHS
            ]
            shift -= _LENGTHS[int(np.argmin(left))] * error / whole * pull
        assert best is not None
        return best[1], best[2]

    def _seen(self, coefficients: FloatArray) -> FloatArray:
        """Return what coefficients (2, pupil functions, panel functions) add up to, (pupils, t, s, 2)."""
        inner = np.einsum("nq,cqp->ncp", self.pupil, coefficients, optimize=True)
        flat = inner.reshape(-1, inner.shape[-1]) @ self.panel
        return np.moveaxis(flat.reshape(len(inner), 2, *self.probe.shared.shape), 1, -1)

    def _gathered(self, seen: FloatArray) -> FloatArray:
        """Return the transpose of `_seen`: by how much each function has a share in what is seen."""
        flat = np.moveaxis(seen, -1, 1).reshape(2 * len(seen), -1) @ self.panel.T
        return np.asarray(np.einsum("nq,ncp->cqp", self.pupil, flat.reshape(len(seen), 2, -1), optimize=True))


def _ends(count: int) -> FloatArray:
    """Return places from 1 to -1, ends included, closest there."""
    return np.asarray(np.cos(np.pi * np.arange(count) / (count - 1)))


def _trimmed(parts: list[FloatArray], least: float) -> list[FloatArray]:
    """Return coefficients (2, pupil, panel functions) without the degrees of which none reaches `least`."""
    largest = np.max([np.abs(part).max(axis=0) for part in parts], axis=0)
    pupil, panel = (int(places.max(initial=0)) + 1 for places in np.nonzero(largest >= least))
    pupils = pupil_count(_degree_for(pupil, pupil_count, MAX_PUPIL_DEGREE))
    panels = count_of_degree(_degree_for(panel, count_of_degree, MAX_PANEL_DEGREE))
    return [part[:, :pupils, :panels] for part in parts]


def _degree_for(count: int, functions: Callable[[int], int], most: int) -> int:
    """Return the lowest degree with at least `count` functions, `most` where none below it has."""
    return next((degree for degree in range(most) if functions(degree) >= count), most)
