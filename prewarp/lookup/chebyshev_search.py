"""The smallest sparse Chebyshev terms of one channel, all colours, for a stated error."""

from collections.abc import Callable

import numpy as np

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray, IntArray
from prewarp.lookup.candidates import (
    PANEL_PROBES,
    ChannelProblem,
    Probe,
    Tables,
    largest_step,
    probe_pupils,
)
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, rounded_codes
from prewarp.lookup.pins import Pins
from prewarp.lookup.pupil import pupil_count, pupil_values
from prewarp.lookup.tables import MAX_PANEL_DEGREE, MAX_PUPIL_DEGREE
from prewarp.lookup.term_bits import LARGEST_TERM

# Coefficients below this share of the limit are left out from the start: thousands make one thousandth.
_NEGLIGIBLE = 1e-6


def chebyshev_search(problem: ChannelProblem, limit_px: float, pins: Pins, /) -> tuple[Tables | None, float]:
    """Return the smallest tables of Chebyshev terms within `limit_px`, and the smallest error met on the way.

    The first is None where codes of 24 bits cannot reach the limit. Nothing of `pins` concerns these tables.
    """
    ends = np.cos(np.pi * np.arange(PANEL_PROBES) / (PANEL_PROBES - 1))
    probe = Probe(problem, ends, ends)
    unit = probe.typical_px
    exact = _trimmed([graded_coefficients(part) for part in problem.parts], _NEGLIGIBLE * limit_px / unit)
    _, functions, panel_functions = exact[0].shape
    s, t = np.meshgrid(ends, ends)
    panel_degree = _degree_for(panel_functions, count_of_degree, MAX_PANEL_DEGREE)
    panel = values_2d(s.ravel(), t.ravel(), panel_degree)[:panel_functions]
    pupil = pupil_values(probe_pupils(), _degree_for(functions, pupil_count, MAX_PUPIL_DEGREE))

    def build(step_px: float) -> tuple[list[IntArray], float] | None:
        step = float(np.float32(step_px / unit))
        codes = [rounded_codes(part, step) for part in exact]
        return None if max(int(np.abs(one).max()) for one in codes) > LARGEST_TERM else (codes, step)

    def error(tried: tuple[list[IntArray], float]) -> float:
        differences = []
        for codes, coefficients in zip(tried[0], exact, strict=True):
            inner = np.einsum("nq,cqp->ncp", pupil, tried[1] * codes - coefficients, optimize=True)
            seen = (inner.reshape(-1, panel_functions) @ panel).reshape(len(inner), 2, len(ends), len(ends))
            differences.append(np.moveaxis(seen, 1, -1))
        return probe.error(differences)

    found, closest = largest_step(build, error, limit_px)
    if found is None:
        return None, closest
    return problem.placed(chebyshev_table(one, found[1]) for one in found[0]), closest


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
