"""The smallest sparse Chebyshev terms of one channel, all colours, for a stated error."""

from collections.abc import Callable
from functools import partial

import numpy as np

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray
from prewarp.lookup.candidates import (
    PANEL_PROBES,
    ChannelProblem,
    Probe,
    Tables,
    largest_step,
    probe_pupils,
    smallest,
)
from prewarp.lookup.chebyshev_terms import (
    chebyshev_table,
    decoded_coefficients,
    graded_coefficients,
    rounded_codes,
)
from prewarp.lookup.pins import Pins
from prewarp.lookup.pupil import pupil_count, pupil_values
from prewarp.lookup.tables import MAX_PANEL_DEGREE, MAX_PUPIL_DEGREE

# Coefficients below so many steps become 0: each is tried.
DEAD_ZONES = (0.5, 1.0, 2.0)
# Coefficients below this share of the limit are left out from the start: thousands make one thousandth.
_NEGLIGIBLE = 1e-6


def chebyshev_search(problem: ChannelProblem, limit_px: float, pins: Pins, /) -> tuple[Tables | None, float]:
    """Return the smallest tables of Chebyshev terms within `limit_px`, and the smallest error met on the way.

    The first is None where codes of 24 bits cannot reach the limit.
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

    def build(step_px: float, dead_zone: float) -> Tables | None:
        codes = (rounded_codes(part, float(np.float32(step_px / unit)), dead_zone) for part in exact)
        return problem.placed(chebyshev_table(one, step_px / unit, bits=pins.bits) for one in codes)

    def error(tables: Tables) -> float:
        differences = []
        for table, coefficients in zip(tables, exact, strict=True):
            rest = decoded_coefficients(table, coefficients.shape) - coefficients
            inner = np.einsum("nq,cqp->ncp", pupil, rest, optimize=True)
            seen = (inner.reshape(-1, panel_functions) @ panel).reshape(len(inner), 2, len(ends), len(ends))
            differences.append(np.moveaxis(seen, 1, -1))
        return probe.error(differences)

    return smallest([largest_step(partial(build, dead_zone=zone), error, limit_px) for zone in DEAD_ZONES])


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
