"""The smallest mesh with pupil modes of one channel, all colours, for a stated error: mesh, ranks and step searched together."""

from collections.abc import Iterator
from functools import partial

import numpy as np

from prewarp.checks import FloatArray
from prewarp.lattice import cubic_weights
from prewarp.lookup.candidates import (
    BISECTIONS,
    PANEL_PROBES,
    Candidate,
    ChannelProblem,
    Probe,
    largest_step,
    probe_pupils,
    tables_bytes,
)
from prewarp.lookup.mesh_modes import decoded_surfaces, mesh_modes, mesh_table
from prewarp.lookup.pins import Pins
from prewarp.lookup.pupil import pupil_values
from prewarp.lookup.tables import MAX_COEFFICIENTS, Family, MapTable

SPLINE_MESHES = (7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 29, 33, 37, 41, 49, 57, 65, 81, 97, 129)
BILINEAR_MESHES = (17, 25, 33, 49, 65, 81, 97, 113, 129, 145, 161, 193, 225, 257, 321, 385, 449, 513)
# Share of the error left for mesh and rank; rounding gets the rest.
RANK_SHARES = (0.5, 0.75)
# Meshes finer than the best so far that are tried before giving up.
_MESHES_BEYOND = {Family.SPLINE: 2, Family.BILINEAR: 1}


def mesh_search(
    problem: ChannelProblem, limit_px: float, family: Family, pins: Pins, /
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
            if worse >= _MESHES_BEYOND[family]:
                break
    return best, closest


class _MeshTrial:
    """One channel on one mesh: modes of all parts, and errors of any choice of ranks and steps."""

    def __init__(self, problem: ChannelProblem, family: Family, columns: int, rows: int, pins: Pins) -> None:
        self.problem, self.family, self.columns, self.rows, self.pins = problem, family, columns, rows, pins
        s, t = _cell_probes(columns), _cell_probes(rows)
        self.probe = Probe(problem, s, t)
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
            found = largest_step(
                partial(self.tables, ranks),
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
        for _ in range(BISECTIONS):
            middle = 0.5 * (low + high)
            if self.unrounded(kept(np.exp(middle))) <= limit_px:
                low = middle
            else:
                high = middle
        return kept(np.exp(low))


def _cell_probes(nodes: int) -> FloatArray:
    """Return positions on -1 to 1 where interpolation errs most: middles of cells, spread, the first and last with it."""
    cells = np.unique(np.round(np.linspace(0, nodes - 2, min(PANEL_PROBES, nodes - 1))).astype(int))
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
    return Probe(problem, s, t).error([got - problem.series[0].at(s, t, middle)])


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
