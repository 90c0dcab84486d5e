"""The smallest sparse Chebyshev terms of one channel, all colours, for a stated error."""

from functools import partial

import numpy as np

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray
from prewarp.lookup.candidates import (
    PANEL_PROBES,
    Candidate,
    ChannelProblem,
    Probe,
    largest_step,
    probe_pupils,
    tables_bytes,
)
from prewarp.lookup.chebyshev_terms import (
    chebyshev_table,
    decoded_coefficients,
    graded_coefficients,
    rounded_codes,
    term_count,
)
from prewarp.lookup.pins import Pins
from prewarp.lookup.pupil import pupil_count, pupil_values
from prewarp.lookup.tables import MAX_PANEL_DEGREE, MAX_PUPIL_DEGREE, Family, MapTable

# Coefficients below so many steps become 0: each is tried.
DEAD_ZONES = (0.5, 1.0, 2.0)
# Coefficients below this share of the limit are left out of the search from the start: thousands make one thousandth.
_NEGLIGIBLE = 1e-6


def chebyshev_search(
    problem: ChannelProblem, limit_px: float, pins: Pins, /
) -> tuple[Candidate | None, float]:
    """Return the smallest table of Chebyshev terms within `limit_px`, and the smallest error met on the way.

    The first is None where codes of 24 bits cannot reach the limit.
    """
    ends = np.cos(np.pi * np.arange(PANEL_PROBES) / (PANEL_PROBES - 1))
    probe = Probe(problem, ends, ends)
    unit = np.median(np.linalg.norm(probe.px_per_tangent, axis=(-2, -1))) / np.sqrt(2.0)
    exact = _trimmed([graded_coefficients(part) for part in problem.parts], _NEGLIGIBLE * limit_px / unit)
    panel = _graded_values(ends, exact[0].shape[2])
    degree = _pupil_degree(exact[0].shape[1])
    pupil = pupil_values(probe_pupils(), degree)

    def build(step_px: float, dead_zone: float) -> tuple[MapTable, ...] | None:
        tables = []
        for place, (colour, coefficients) in enumerate(zip(problem.colours, exact, strict=True)):
            codes = rounded_codes(coefficients, float(np.float32(step_px / unit)), dead_zone)
            table = chebyshev_table(
                codes,
                step_px / unit,
                channel=problem.channel,
                colour=colour,
                base=None if place == 0 else 0,
                bits=pins.bits,
            )
            if table is None:
                return None
            tables.append(table)
        return tuple(tables)

    met = [np.inf]

    def error(tables: tuple[MapTable, ...]) -> float:
        differences = []
        for table, coefficients in zip(tables, exact, strict=True):
            rest = _regraded(table, coefficients.shape) - coefficients
            inner = np.einsum("nq,cqp->ncp", pupil, rest, optimize=True)
            lattice = (inner.reshape(-1, inner.shape[-1]) @ panel).reshape(
                len(inner), 2, len(ends), len(ends)
            )
            differences.append(np.moveaxis(lattice, 1, -1))
        worst = probe.error(differences)
        met[0] = min(met[0], worst)
        return worst

    candidates = []
    for dead_zone in DEAD_ZONES:
        found = largest_step(
            partial(build, dead_zone=dead_zone), error, limit_px, low=1e-4, high=4.0 * limit_px
        )
        if found is not None:
            tables, reached = found
            candidates.append(
                Candidate(
                    Family.CHEBYSHEV,
                    tables,
                    tables_bytes(tables),
                    reached,
                    {
                        "terms": sum(term_count(table) for table in tables),
                        "panel_degree": tables[0].columns - 1,
                        "pupil_degree": max(table.pupil_degree for table in tables),
                    },
                )
            )
    return min(candidates, key=lambda one: one.byte_count, default=None), met[0]


def _trimmed(parts: list[FloatArray], least: float) -> list[FloatArray]:
    """Return coefficients (2, pupil functions, panel functions) up to the degrees beyond which none reaches `least`."""
    largest = np.max([np.abs(part).max(axis=0) for part in parts], axis=0)
    pupil, panel = np.nonzero(largest >= least)
    pupils, panels = 1, 1
    for degree in range(MAX_PUPIL_DEGREE + 1):
        pupils = pupil_count(degree)
        if pupils > pupil.max(initial=0):
            break
    for degree in range(MAX_PANEL_DEGREE + 1):
        panels = count_of_degree(degree)
        if panels > panel.max(initial=0):
            break
    return [part[:, :pupils, :panels] for part in parts]


def _regraded(table: MapTable, shape: tuple[int, ...]) -> FloatArray:
    """Return a table's coefficients in the shape of the exact ones: graded orders agree, so only sizes differ."""
    total = np.zeros(shape)
    if table.blocks:
        functions = min(table.modes, shape[1])
        part = decoded_coefficients(table, (2, table.modes, shape[2]))
        total[:, :functions] = part[:, :functions]
    return total


def _graded_values(x: FloatArray, count: int) -> FloatArray:
    """Return the panel functions (count, n * n) on the lattice x by x, rows along t."""
    degree = 0
    while (degree + 1) * (degree + 2) // 2 < count:
        degree += 1
    s, t = np.meshgrid(x, x)
    return values_2d(s.ravel(), t.ravel(), degree)[:count]


def _pupil_degree(count: int) -> int:
    degree = 0
    while (degree + 1) * (degree + 2) * (degree + 3) // 6 < count:
        degree += 1
    return degree
