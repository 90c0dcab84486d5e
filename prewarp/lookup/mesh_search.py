"""The smallest mesh with pupil modes of one channel, all colours, for a stated error."""

from collections.abc import Iterator
from functools import partial

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.lattice import cubic_weights
from prewarp.lookup.candidates import (
    BISECTIONS,
    PANEL_PROBES,
    ChannelProblem,
    Probe,
    Tables,
    largest_step,
    probe_pupils,
    smallest,
    tables_bytes,
)
from prewarp.lookup.mesh_modes import decoded_surfaces, mesh_modes, mesh_table
from prewarp.lookup.pins import Pins
from prewarp.lookup.pupil import pupil_values
from prewarp.lookup.tables import MAX_COEFFICIENTS

MESHES = (7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 29, 33, 37, 41, 49, 57, 65, 81, 97, 129)
# Share of the error left for mesh and rank; rounding gets the rest.
RANK_SHARES = (0.5, 0.75)
# Meshes finer than the best so far that are tried before giving up.
_MESHES_BEYOND = 2


def mesh_search(problem: ChannelProblem, limit_px: float, pins: Pins, /) -> tuple[Tables | None, float]:
    """Return the smallest mesh with pupil modes within `limit_px`, and the smallest error met on the way.

    The first is None where no mesh, rank or width reaches the limit.
    """
    best, worse, closest = None, 0, np.inf
    for columns, rows in map(
        problem.mesh_shape, MESHES if pins.mesh_columns is None else (pins.mesh_columns,)
    ):
        if max(columns, rows) + 2 > MAX_COEFFICIENTS or worse >= _MESHES_BEYOND:
            break
        trial = _MeshTrial(problem, columns, rows, pins)
        found, nearest = smallest(list(trial.tried(limit_px)))
        closest = min(closest, nearest)
        if found is not None and (best is None or tables_bytes(found) < tables_bytes(best)):
            best, worse = found, 0
        elif best is not None:
            worse += 1
    return best, closest


class _MeshTrial:
    """One channel on one mesh: modes of all parts, and errors of any choice of ranks and steps."""

    def __init__(self, problem: ChannelProblem, columns: int, rows: int, pins: Pins) -> None:
        self.problem, self.pins = problem, pins
        s, t = _cell_probes(columns), _cell_probes(rows)
        self.probe = Probe(problem, s, t)
        self.truth = [part.at(s, t, probe_pupils()) for part in problem.parts]
        self.seen_s, self.basis_s = _basis(s, columns)
        self.seen_t, self.basis_t = _basis(t, rows)
        self.modes = [mesh_modes(part, columns, rows) for part in problem.parts]

    def tried(self, limit_px: float) -> Iterator[tuple[Tables | None, float]]:
        """Yield tables and errors as `largest_step`, for each share that mesh and rank may take."""
        every = [len(modes.surfaces) for modes in self.modes]
        whole = self.unrounded(every)
        if whole > limit_px:
            yield None, whole
            return
        choices: list[list[int]] = []
        for share in RANK_SHARES:
            ranks = self._ranks(share * limit_px)
            if ranks is not None and ranks not in choices:
                choices.append(ranks)
        for ranks in choices or [every]:
            yield largest_step(partial(self.tables, ranks), self.decoded, limit_px)

    def tables(self, ranks: list[int], step_px: float) -> Tables | None:
        """Return the tables for so many modes per part and a step in px, or None where codes do not fit."""
        step = step_px / self.probe.typical_px
        return self.problem.placed(
            mesh_table(modes, rank, step, bits=self.pins.bits)
            for modes, rank in zip(self.modes, ranks, strict=True)
        )

    def unrounded(self, ranks: list[int]) -> float:
        """Return the error, px, of so many modes per part before rounding."""
        parts = zip(self.modes, ranks, strict=True)
        return self._error(
            [self._seen(m.affine, m.weights[:k], m.surfaces[:k], m.pupil_degree) for m, k in parts]
        )

    def decoded(self, tables: Tables) -> float:
        """Return the error, px, of tables."""
        weights = (one.blocks[0].values().reshape(one.modes, -1) for one in tables)
        parts = zip(tables, weights, strict=True)
        return self._error([self._seen(m.affine, w, decoded_surfaces(m), m.pupil_degree) for m, w in parts])

    def _error(self, parts: list[FloatArray]) -> float:
        return self.probe.error([part - exact for part, exact in zip(parts, self.truth, strict=True)])

    def _seen(self, affine: FloatArray, weights: FloatArray, surfaces: FloatArray, degree: int) -> FloatArray:
        s, t = self.probe.s, self.probe.t
        at_pupil = pupil_values(probe_pupils(), degree) @ weights.T
        near = surfaces[:, self.seen_s][:, :, self.seen_t]
        half = np.einsum("ts,ksrc->ktrc", self.basis_s, near, optimize=True)
        seen = np.einsum("ktrc,ur->kutc", half, self.basis_t, optimize=True)
        plane = affine[:, 0] + s[None, :, None] * affine[:, 1] + t[:, None, None] * affine[:, 2]
        return np.asarray(plane + np.einsum("nk,kutc->nutc", at_pupil, seen, optimize=True))

    def _ranks(self, limit_px: float) -> list[int] | None:
        """Return modes to keep per part: all with a value above one threshold, the highest that will do."""
        if self.pins.rank is not None:
            return [min(self.pins.rank, len(modes.surfaces)) for modes in self.modes]
        peaks = [np.abs(modes.surfaces).max(axis=(1, 2, 3)) * self.probe.typical_px for modes in self.modes]

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
    """Return positions on -1 to 1 where interpolation errs most: middles of cells, the outer ones too."""
    cells = np.unique(np.round(np.linspace(0, nodes - 2, min(PANEL_PROBES, nodes - 1))).astype(int))
    middles = (2.0 * cells + 1.0) / (nodes - 1) - 1.0
    # The ends of a spline err a little nearer the border than the middle of the cell.
    near = np.array([-1.0, -1.0 + 0.6 / (nodes - 1), 1.0 - 0.6 / (nodes - 1), 1.0])
    return np.unique(np.concatenate([middles, near]))


def _basis(x: FloatArray, nodes: int) -> tuple[IntArray, FloatArray]:
    """Return which coefficients of a mesh axis positions (n,) see (k,), and the weights (n, k) of those."""
    first, weight = cubic_weights((x + 1.0) * 0.5 * (nodes - 1), nodes)
    matrix = np.zeros((len(x), nodes + 2))
    np.put_along_axis(matrix, first[:, None] + np.arange(4), weight, axis=1)
    seen = np.flatnonzero(np.any(matrix != 0.0, axis=0))
    return seen, matrix[:, seen]
