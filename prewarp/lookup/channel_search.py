"""The smallest tables of one channel, all colours, in one family, for a stated error: searched against the field's series.

Colours share a family and a mesh; the second and further colours are stored as differences from the first.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial import chebyshev

from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import values_2d
from prewarp.lattice import cubic_weights
from prewarp.lookup.chebyshev_terms import (
    chebyshev_table,
    decoded_coefficients,
    graded_coefficients,
    rounded_codes,
    term_count,
)
from prewarp.lookup.measure import px_error
from prewarp.lookup.mesh_modes import decoded_surfaces, mesh_modes, mesh_table
from prewarp.lookup.pupil import pupil_values
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import MAX_COEFFICIENTS, Family, MapTable

if TYPE_CHECKING:
    from prewarp.lookup.optimise import Pins

# Bytes of records per map and per block, as the blob holds them.
MAP_RECORD, BLOCK_RECORD = 64, 16
SPLINE_MESHES = (7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 29, 33, 37, 41, 49, 57, 65, 81, 97, 129)
BILINEAR_MESHES = (17, 25, 33, 49, 65, 81, 97, 113, 129, 145, 161, 193, 225, 257, 321, 385, 449, 513)
DEAD_ZONES = (0.5, 1.0, 2.0)
# Share of the error left for mesh and rank; rounding gets the rest.
RANK_SHARES = (0.5, 0.75)
_BISECTIONS = 10
_PANEL_PROBES = 31
# Meshes finer than the first that will do are tried for so long as they do not get larger.
_MESHES_BEYOND = 3


@dataclass(frozen=True)
class Candidate:
    """Tables of one channel: `byte_count` with records; `error_px` as searched, not yet as measured; `settings` for people."""

    family: Family
    tables: tuple[MapTable, ...]
    byte_count: int
    error_px: float
    settings: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class ChannelProblem:
    """One channel to compress: its place, panel size, the places of its colours and the series of each (first is the base)."""

    channel: int
    panel_size_px: tuple[int, int]
    colours: tuple[int, ...]
    series: tuple[FieldSeries, ...]

    @property
    def parts(self) -> tuple[FieldSeries, ...]:
        """The base's series, then the differences from it."""
        return (self.series[0], *(one.minus(self.series[0]) for one in self.series[1:]))

    def mesh_shape(self, columns: int) -> tuple[int, int]:
        """Return columns and rows of a mesh whose cells are as square as can be."""
        width, height = self.panel_size_px
        return columns, max(4, round((columns - 1) * height / width) + 1)


@lru_cache(maxsize=4)
def probe_pupils() -> FloatArray:
    """Return unit pupil positions (n, 3) at which candidates are tried: corners, faces, middle, and some between."""
    corners = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    between = np.random.default_rng(7).uniform(-1.0, 1.0, (14, 3))
    return np.concatenate([corners, between])


class _Probe:
    """Where candidates are tried: panel positions, px per tangent there (pupil at the middle), and truth on demand."""

    def __init__(self, problem: ChannelProblem, s: FloatArray, t: FloatArray) -> None:
        self.s, self.t, self.problem = s, t, problem
        self.px_per_tangent = _px_per_tangent(problem.series[0], s, t, problem.panel_size_px)

    def error(self, differences: list[FloatArray]) -> float:
        """Return the largest error, px, of tangent differences (pupils, t, s, 2) per part (base, then differences)."""
        base = differences[0]
        worst = float(px_error(base, self.px_per_tangent).max())
        for one in differences[1:]:
            worst = max(worst, float(px_error(base + one, self.px_per_tangent).max()))
        return worst


def _px_per_tangent(
    series: FieldSeries, s: FloatArray, t: FloatArray, size_px: tuple[int, int]
) -> FloatArray:
    middle = np.zeros((1, 3))
    by_s = FieldSeries(chebyshev.chebder(series.coefficients, axis=0), 0.0).at(s, t, middle)[0]
    by_t = FieldSeries(chebyshev.chebder(series.coefficients, axis=1), 0.0).at(s, t, middle)[0]
    jacobian = np.stack([by_s * (2.0 / size_px[0]), by_t * (2.0 / size_px[1])], axis=-1)
    return np.linalg.inv(jacobian)


def chebyshev_search(
    problem: ChannelProblem, limit_px: float, pins: "Pins", /
) -> tuple[Candidate | None, float]:
    """Return the smallest table of Chebyshev terms within `limit_px`, and the smallest error met on the way.

    The first is None where codes of 24 bits cannot reach the limit.
    """
    ends = np.cos(np.pi * np.arange(_PANEL_PROBES) / (_PANEL_PROBES - 1))
    probe = _Probe(problem, ends, ends)
    exact = [graded_coefficients(part) for part in problem.parts]
    panel = _graded_values(ends, exact[0].shape[2])
    degree = _pupil_degree(exact[0].shape[1])
    pupil = pupil_values(probe_pupils(), degree)
    unit = np.median(np.linalg.norm(probe.px_per_tangent, axis=(-2, -1))) / np.sqrt(2.0)

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
        if any(table.columns > tables[0].columns for table in tables):
            tables = [replace(tables[0], columns=max(t.columns for t in tables))] + tables[1:]
            tables[0] = replace(tables[0], rows=tables[0].columns)
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
        met[0] = min(met[0], probe.error(differences))
        return probe.error(differences)

    candidates = []
    for dead_zone in DEAD_ZONES:
        found = _largest(lambda step: build(step, dead_zone), error, limit_px, low=1e-4, high=4.0 * limit_px)  # noqa: B023
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


def mesh_search(
    problem: ChannelProblem, limit_px: float, family: Family, pins: "Pins", /
) -> tuple[Candidate | None, float]:
    """Return the smallest mesh with pupil modes within `limit_px`, and the smallest error met on the way.

    The first is None where no mesh, rank or width reaches the limit.
    """
    meshes = BILINEAR_MESHES if family == Family.BILINEAR else SPLINE_MESHES
    if pins.mesh_columns is not None:
        meshes = (pins.mesh_columns,)
    best, worse, closest = None, 0, np.inf
    for columns, rows in (problem.mesh_shape(n) for n in meshes):
        if max(columns, rows) + 2 > MAX_COEFFICIENTS:
            break
        if family == Family.BILINEAR and (coarse := _bilinear_error(problem, columns, rows)) > limit_px:
            closest = min(closest, coarse)
            continue
        trial = _MeshTrial(problem, family, columns, rows, pins)
        found = min(trial.candidates(limit_px), key=lambda one: one.byte_count, default=None)
        closest = min(closest, trial.closest_px)
        if found is not None and (best is None or found.byte_count < best.byte_count):
            best, worse = found, 0
        elif best is not None:
            worse += 1
            if worse >= _MESHES_BEYOND:
                break
    return best, closest


class _MeshTrial:
    """One channel on one mesh: modes of all parts, and errors of any choice of ranks and steps."""

    def __init__(
        self, problem: ChannelProblem, family: Family, columns: int, rows: int, pins: "Pins"
    ) -> None:
        self.problem, self.family, self.columns, self.rows, self.pins = problem, family, columns, rows, pins
        s, t = _cell_probes(columns), _cell_probes(rows)
        self.probe = _Probe(problem, s, t)
        self.truth = [part.at(s, t, probe_pupils()) for part in problem.parts]
        # Only the coefficients that the probes see are looked at.
        self.seen_s, self.basis_s = _seen(_basis(family, s, columns))
        self.seen_t, self.basis_t = _seen(_basis(family, t, rows))
        self.modes = [mesh_modes(part, family, columns, rows) for part in problem.parts]
        self.px = float(np.median(np.linalg.norm(self.probe.px_per_tangent, axis=(-2, -1))) / np.sqrt(2.0))
        self.closest_px = np.inf

    def candidates(self, limit_px: float) -> Iterator[Candidate]:
        """Yield tables within the limit: for each share of it that mesh and rank may take, with the largest step."""
        if self.unrounded([len(modes.surfaces) for modes in self.modes]) > limit_px:
            return
        tried = set()
        for share in RANK_SHARES:
            ranks = self._ranks(share * limit_px)
            if ranks is None or tuple(ranks) in tried:
                continue
            tried.add(tuple(ranks))
            found = _largest(
                lambda step: self.tables(ranks, step),  # noqa: B023
                self.decoded,
                limit_px,
                low=1e-4,
                high=4.0 * limit_px,
            )
            if found is not None:
                tables, reached = found
                yield Candidate(
                    self.family, tables, tables_bytes(tables), reached,
                    {"mesh": [self.columns, self.rows], "rank": [table.modes for table in tables]},
                )  # fmt: skip

    def tables(self, ranks: list[int], step_px: float) -> tuple[MapTable, ...] | None:
        """Return the tables for so many modes per part and a step in px, or None where codes do not fit."""
        made = tuple(
            mesh_table(
                modes,
                rank,
                step_px / self.px,
                channel=self.problem.channel,
                colour=colour,
                base=None if place == 0 else 0,
                bits=self.pins.bits,
            )
            for place, (modes, rank, colour) in enumerate(
                zip(self.modes, ranks, self.problem.colours, strict=True)
            )
        )
        return None if any(table is None for table in made) else made

    def unrounded(self, ranks: list[int]) -> float:
        """Return the error, px, of so many modes per part before rounding."""
        parts = [(m.affine, m.weights[:k], m.surfaces[:k], m.pupil_degree) for m, k in zip(self.modes, ranks, strict=True)]  # fmt: skip
        return self._error(parts)

    def decoded(self, tables: tuple[MapTable, ...]) -> float:
        """Return the error, px, of tables."""
        return self._error(
            [
                (one.affine, one.blocks[0].values().reshape(one.modes, -1), decoded_surfaces(one), one.pupil_degree)
                for one in tables
            ]
        )  # fmt: skip

    def _error(self, parts: list[tuple[FloatArray, FloatArray, FloatArray, int]]) -> float:
        error = self.probe.error(
            [self._lattice(*part) - exact for part, exact in zip(parts, self.truth, strict=True)]
        )
        self.closest_px = min(self.closest_px, error)
        return error

    def _lattice(
        self, affine: FloatArray, weights: FloatArray, surfaces: FloatArray, degree: int
    ) -> FloatArray:
        s, t = self.probe.s, self.probe.t
        at_pupil = pupil_values(probe_pupils(), degree) @ weights.T
        near = surfaces[:, self.seen_s][:, :, self.seen_t]
        half = np.einsum("ts,ksrc->ktrc", self.basis_s, near, optimize=True)
        seen = np.einsum("ktrc,ur->kutc", half, self.basis_t, optimize=True)
        plane = affine[:, 0] + s[None, :, None] * affine[:, 1] + t[:, None, None] * affine[:, 2]
        return plane + np.einsum("nk,kutc->nutc", at_pupil, seen, optimize=True)

    def _ranks(self, limit_px: float) -> list[int] | None:
        """Return modes to keep per part: all whose largest value is above one threshold, the highest that will do."""
        if self.pins.rank is not None:
            return [min(self.pins.rank, len(modes.surfaces)) for modes in self.modes]
        peaks = [np.abs(modes.surfaces).max(axis=(1, 2, 3)) * self.px for modes in self.modes]

        def kept(threshold: float) -> list[int]:
            return [max(1, int(np.flatnonzero(peak >= threshold).max(initial=-1)) + 1) for peak in peaks]

        if self.unrounded(kept(0.0)) > limit_px:
            return None
        low, high = np.log(1e-6), np.log(max(float(peak.max()) for peak in peaks) + 1.0)
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            if self.unrounded(kept(np.exp(middle))) <= limit_px:
                low = middle
            else:
                high = middle
        return kept(np.exp(low))


def _largest(
    build: Callable[[float], tuple[MapTable, ...] | None],
    error: Callable[[tuple[MapTable, ...]], float],
    limit_px: float,
    *,
    low: float,
    high: float,
) -> tuple[tuple[MapTable, ...], float] | None:
    """Return the tables of the largest step, px, whose error is within the limit; None where no step is."""
    best = None
    low, high = np.log(low), np.log(high)
    for turn in range(_BISECTIONS + 1):
        middle = low if turn == _BISECTIONS and best is None else 0.5 * (low + high)
        tables = build(float(np.exp(middle)))
        reached = np.inf if tables is None else error(tables)
        if reached <= limit_px:
            best, low = (tables, reached), middle
        elif tables is None:
            low = middle
        else:
            high = middle
    return best


def tables_bytes(tables: tuple[MapTable, ...], /) -> int:
    """Return the bytes of tables with their records; blocks begin at multiples of four."""
    return sum(
        MAP_RECORD + sum(BLOCK_RECORD + (block.byte_count + 3) // 4 * 4 for block in table.blocks)
        for table in tables
    )


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


def _cell_probes(nodes: int) -> FloatArray:
    """Return positions on -1 to 1 where interpolation errs most: middles of cells, spread, the first and last with it."""
    cells = np.unique(np.round(np.linspace(0, nodes - 2, min(_PANEL_PROBES, nodes - 1))).astype(int))
    middles = (2.0 * cells + 1.0) / (nodes - 1) - 1.0
    # The ends of a spline err a little nearer the border than the middle of the cell.
    near = np.array([-1.0, -1.0 + 0.6 / (nodes - 1), 1.0 - 0.6 / (nodes - 1), 1.0])
    return np.unique(np.concatenate([middles, near]))


def _seen(basis: FloatArray) -> tuple[np.ndarray, FloatArray]:
    """Return which coefficients have any weight, and the weights of those."""
    seen = np.flatnonzero(np.any(basis != 0.0, axis=0))
    return seen, basis[:, seen]


def _bilinear_error(problem: ChannelProblem, columns: int, rows: int) -> float:
    """Return the error, px, of bilinear interpolation of the base colour alone, pupil at the middle."""
    s, t = _cell_probes(columns), _cell_probes(rows)
    seen_s, basis_s = _seen(_basis(Family.BILINEAR, s, columns))
    seen_t, basis_t = _seen(_basis(Family.BILINEAR, t, rows))
    middle = np.zeros((1, 3))
    nodes = problem.series[0].at(2.0 * seen_s / (columns - 1) - 1.0, 2.0 * seen_t / (rows - 1) - 1.0, middle)
    got = np.einsum("ts,vr,nrsc->nvtc", basis_s, basis_t, nodes, optimize=True)
    return _Probe(problem, s, t).error([got - problem.series[0].at(s, t, middle)])


def _basis(family: Family, x: FloatArray, nodes: int) -> FloatArray:
    """Return the weights (n, coefficients) of a mesh axis at positions (n,), float64."""
    place = (x + 1.0) * 0.5 * (nodes - 1)
    if family == Family.SPLINE:
        first, weight = cubic_weights(place, nodes)
        matrix = np.zeros((len(x), nodes + 2))
        np.put_along_axis(matrix, first[:, None] + np.arange(4), weight, axis=1)
        return matrix
    first = np.clip(np.floor(place).astype(int), 0, nodes - 2)
    matrix = np.zeros((len(x), nodes))
    share = place - first
    np.put_along_axis(matrix, first[:, None] + np.arange(2), np.stack([1.0 - share, share], axis=-1), axis=1)
    return matrix
