"""The optimiser: the smallest tables for a stated largest error, over families, meshes, ranks and widths."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from threadpoolctl import threadpool_limits

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.errors import PackageError, ShapeError
from prewarp.lookup.candidates import Candidate, ChannelProblem
from prewarp.lookup.chebyshev_search import chebyshev_search
from prewarp.lookup.measure import (
    PANEL_POINTS,
    PUPIL_COUNTS,
    MapError,
    border_of,
    measured_errors,
    pupil_lattice,
    truths_of,
)
from prewarp.lookup.mesh_search import mesh_search
from prewarp.lookup.pins import FREE, Pins
from prewarp.lookup.plain_lattice import (
    STORAGES,
    LatticePlan,
    lattice_tables,
    probe_axis,
    smallest_lattice,
)
from prewarp.lookup.series import (
    MAX_PANEL_NODES,
    PANEL_NODES,
    PUPIL_NODES,
    FieldSeries,
    field_series,
    trimmed_together,
)
from prewarp.lookup.tables import FAMILY_NAMES, Family, Lookup, MapTable, float32_array

if TYPE_CHECKING:
    from prewarp.field import FieldSet

COMPRESSED = ("chebyshev", "spline", "bilinear")
# When the measured error exceeds the limit the search is repeated for less; so often at most.
_REPEATS = 6
_MARGIN = 0.97
# What the series leaves out, px, before it is refined.
_TAIL_PX = 1e-3


class Optimiser:
    """Holds what all searches share: the series of every field, and the truth to measure against.

    Parameters
    ----------
    fields : FieldSet
        The fit.
    pupil_box_mm : (2, 3) float array
        Lowest and highest pupil position, mm.
    channels : sequence of str, optional
        Which; all if not given.
    content : ContentProjection, optional
        Goes into the lookup for devices that need content px.
    panel_points, pupil_counts : int, (int, int, int)
        Lattice over which errors are measured.
    progress : callable, optional
        Called with a text before each long step.
    """

    def __init__(
        self,
        fields: "FieldSet",
        /,
        *,
        pupil_box_mm: ArrayLike,
        channels: Sequence[str] | None = None,
        content: ContentProjection | None = None,
        panel_points: int = PANEL_POINTS,
        pupil_counts: tuple[int, int, int] = PUPIL_COUNTS,
        progress: Callable[[str], None] = lambda text: None,
    ) -> None:
        self.box_mm = _checked_box(pupil_box_mm)
        self.channels = tuple(fields.channels if channels is None else channels)
        self.colours = tuple(fields.colours)
        self.content = content
        self.progress = progress
        first = self.colours[0]
        self.sizes = tuple(fields.field(name, first).panel_size_px for name in self.channels)
        self.problems = []
        with threadpool_limits(1, user_api="blas"):
            for place, name in enumerate(self.channels):
                progress(f"channel '{name}': series")
                series = _series_of_channel(
                    [fields.field(name, colour) for colour in self.colours], self.box_mm
                )
                border = border_of(fields.field(name, first))
                self.problems.append(
                    ChannelProblem(place, self.sizes[place], tuple(range(len(self.colours))), series, border)
                )
            keys = [(channel, colour) for channel in self.channels for colour in self.colours]
            progress("measuring the field")
            pupils = pupil_lattice(self.box_mm, pupil_counts)
            self.truths = truths_of(fields, keys, pupils, panel_points=panel_points)

    def search(self, limit_px: float, family: str, pins: Pins = FREE) -> tuple[Lookup, tuple[MapError, ...]]:
        """Return the smallest lookup of a family whose measured error is within the limit, and the errors.

        Raises
        ------
        PackageError
            The family cannot reach the limit; says how near it came.
        """
        with threadpool_limits(1, user_api="blas"):
            groups = [self._search_channel(problem, limit_px, family, pins) for problem in self.problems]
        return self._joined(groups)

    def smallest(self, limit_px: float, pins: Pins = FREE) -> tuple[Lookup, tuple[MapError, ...]]:
        """Return the smallest lookup over families, chosen per channel; arguments and errors as in `search`."""
        names = COMPRESSED if pins.family is None else (pins.family,)
        if pins.family is None and (pins.mesh_columns is not None or pins.rank is not None):
            names = ("spline", "bilinear")
        groups = []
        with threadpool_limits(1, user_api="blas"):
            for problem in self.problems:
                found, failures = [], []
                for name in names:
                    try:
                        found.append(self._search_channel(problem, limit_px, name, pins))
                    except PackageError as cause:
                        failures.append(cause)
                if not found:
                    nearest = min(failures, key=lambda cause: getattr(cause, "error_px", np.inf))
                    raise PackageError(" ".join(map(str, failures)), **nearest.fields) from nearest
                groups.append(min(found, key=lambda one: one[0].byte_count))
        return self._joined(groups)

    def plain(self, limit_px: float) -> tuple[tuple[LatticePlan, ...] | None, tuple[str, ...]]:
        """Return the smallest plain lattices, one per channel in one storage, or None, with a note per storage."""
        best, notes = None, []
        with threadpool_limits(1, user_api="blas"):
            for storage in STORAGES:
                plans, rounding = [], 0.0
                for problem in self.problems:
                    plan, rounds = self._plan(problem, limit_px, storage)
                    plans.append(plan)
                    rounding = max(rounding, rounds)
                if any(plan is None for plan in plans):
                    why = (
                        f"its rounding alone is up to {rounding:.3g} px"
                        if rounding > limit_px
                        else "no lattice tried is fine enough"
                    )
                    notes.append(f"{storage}: cannot reach {limit_px:g} px; {why}")
                    continue
                count = sum(plan.byte_count for plan in plans)
                shape = ", ".join(
                    f"{p.columns} x {p.rows} nodes, {'x'.join(map(str, p.pupil_counts))} pupils"
                    for p in plans
                )
                notes.append(
                    f"{storage}: {count} bytes for {max(p.error_px for p in plans):.3g} px ({shape})"
                )
                if best is None or count < sum(plan.byte_count for plan in best):
                    best = tuple(plans)
        return best, tuple(notes)

    def _plan(
        self, problem: ChannelProblem, limit_px: float, storage: str
    ) -> tuple[LatticePlan | None, float]:
        axis = probe_axis()
        scale = problem.px_per_tangent(axis, axis)
        return smallest_lattice(problem, limit_px, storage=storage, box_mm=self.box_mm, px_per_tangent=scale)

    def _search_channel(
        self, problem: ChannelProblem, limit_px: float, family: str, pins: Pins
    ) -> tuple[Candidate, tuple[MapError, ...]]:
        """Return tables whose error, measured as a device evaluates them, is within the limit."""
        name = self.channels[problem.channel]
        self.progress(f"channel '{name}': {FAMILY_NAMES[family].label}")
        asked, closest, searched = limit_px, np.inf, np.inf
        for _ in range(_REPEATS):
            candidate, searched = self._candidate(problem, asked, family, pins)
            if candidate is None:
                break
            one = self._lookup(candidate.tables)
            errors = measured_errors(one, self.truths)
            worst = max(error.max_px for error in errors)
            if worst <= limit_px:
                tables = tuple(
                    replace(table, error_px=error.max_px)
                    for table, error in zip(candidate.tables, errors, strict=True)
                )
                return replace(candidate, tables=tables, error_px=worst), errors
            closest = min(closest, worst)
            asked *= min(_MARGIN * limit_px / worst, _MARGIN) if np.isfinite(worst) else 0.5
        # What a search meets on its few points says little beside what was measured.
        closest = closest if np.isfinite(closest) else searched
        raise PackageError(
            f"channel '{name}': {FAMILY_NAMES[family].label} cannot reach {limit_px:g} px"
            f"{_pin_text(pins)}; the nearest came to {closest:.3g} px. Allow a larger error, or fix less.",
            channel=name,
            family=family,
            error_px=float(closest),
        )

    def _candidate(
        self, problem: ChannelProblem, limit_px: float, family: str, pins: Pins
    ) -> tuple[Candidate | None, float]:
        kind = FAMILY_NAMES[family]
        if kind == Family.CHEBYSHEV:
            return chebyshev_search(problem, limit_px, pins)
        if kind in (Family.SPLINE, Family.BILINEAR):
            return mesh_search(problem, limit_px, kind, pins)
        plans = [self._plan(problem, limit_px, storage) for storage in STORAGES]
        found = [plan for plan, _ in plans if plan is not None]
        if not found:
            return None, min(rounding for _, rounding in plans)
        plan = min(found, key=lambda one: one.byte_count)
        tables = lattice_tables(problem, plan)
        settings = {
            "mesh": [plan.columns, plan.rows],
            "pupils": list(plan.pupil_counts),
            "storage": plan.storage,
        }
        return Candidate(Family.LATTICE, tables, plan.byte_count, plan.error_px, settings), plan.error_px

    def _joined(
        self, groups: list[tuple[Candidate, tuple[MapError, ...]]]
    ) -> tuple[Lookup, tuple[MapError, ...]]:
        tables: list[MapTable] = []
        for candidate, _ in groups:
            start = len(tables)
            tables += [
                replace(table, base=None if table.base is None else start + table.base)
                for table in candidate.tables
            ]
        return self._lookup(tuple(tables)), tuple(error for _, errors in groups for error in errors)

    def _lookup(self, tables: tuple[MapTable, ...]) -> Lookup:
        return Lookup(self.channels, self.colours, self.sizes, self.box_mm, tables, self.content)


def _series_of_channel(fields: list, box_mm: FloatArray) -> tuple[FieldSeries, ...]:
    """Return the series of all colours, refined until little is left out."""
    nodes, pupils = PANEL_NODES, PUPIL_NODES
    while True:
        series = tuple(field_series(one, box_mm, panel_nodes=nodes, pupil_nodes=pupils) for one in fields)
        tail_px = max(one.tail for one in series) * min(fields[0].panel_size_px)
        if tail_px <= _TAIL_PX or nodes >= MAX_PANEL_NODES:
            return trimmed_together(series)
        nodes = min(nodes + 14, MAX_PANEL_NODES)


def _checked_box(box_mm: ArrayLike) -> FloatArray:
    box = np.asarray(box_mm, dtype=float)
    if (
        box.shape != (2, 3)
        or not np.isfinite(box).all()
        or np.any(box[1] < box[0])
        or np.abs(box).max() > 100.0
    ):
        raise ShapeError(
            f"pupil_box_mm is {box.tolist()}; expected (2, 3): lowest, then highest x, y, z in mm, within 100 mm."
        )
    return float32_array(box)


def _pin_text(pins: Pins) -> str:
    fixed = [
        f"{name} {value}"
        for name, value in (("mesh", pins.mesh_columns), ("rank", pins.rank), ("bits", pins.bits))
        if value is not None
    ]
    return f" with {', '.join(fixed)}" if fixed else ""
