"""The optimiser: the smallest tables for a stated largest error, over families, meshes, ranks and widths."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray
from prewarp.content import ContentProjection
from prewarp.cores import one_blas_thread
from prewarp.errors import PackageError, ShapeError
from prewarp.lookup.candidates import ChannelProblem, Tables, tables_bytes
from prewarp.lookup.chebyshev_search import chebyshev_search
from prewarp.lookup.measure import (
    PANEL_POINTS,
    PUPIL_COUNTS,
    MapError,
    border_of,
    map_truth,
    measured_errors,
    pupil_lattice,
)
from prewarp.lookup.mesh_search import mesh_search
from prewarp.lookup.pins import FREE, Pins
from prewarp.lookup.series import (
    MAX_PANEL_NODES,
    PANEL_NODES,
    PUPIL_NODES,
    FieldSeries,
    field_series,
    trimmed_together,
)
from prewarp.lookup.tables import FAMILY_NAMES, Lookup, MapTable, float32_array
from prewarp.seam.claims import handed_over

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet
    from prewarp.seam import Seam

_SEARCHES = {"chebyshev": chebyshev_search, "spline": mesh_search}
# When the measured error exceeds the limit the search is repeated for less; so often at most.
_REPEATS = 6
_MARGIN = 0.97
# Terms of a channel that take no more than this are not held against meshes, whose search takes longer than
# the rest: those need ten times as much on both demos, and pay where a map has detail beyond terms.
_ENOUGH_BYTES = 8192
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
    seam : Seam, optional
        Where channels hand light over less error is allowed (`measure.SEAM_SHARE`).
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
        seam: "Seam | None" = None,
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
        self.sizes = tuple(fields.field(name, self.colours[0]).panel_size_px for name in self.channels)
        places = tuple(range(len(self.colours)))
        pupils = pupil_lattice(self.box_mm, pupil_counts)
        self.problems, self.truths = [], {}
        with one_blas_thread():
            for place, name in enumerate(self.channels):
                progress(f"channel '{name}': series")
                own = [fields.field(name, colour) for colour in self.colours]
                series, border = _series_of_channel(own, self.box_mm), border_of(own[0])
                self.problems.append(
                    ChannelProblem(place, self.sizes[place], places, series, border, _shared(seam, name))
                )
            progress("measuring the field")
            for name in self.channels:
                shared = _shared(seam, name)
                inside: BoolArray | None = None
                for colour in self.colours:
                    truth = map_truth(fields.field(name, colour), pupils, panel_points=panel_points)
                    if shared is not None and inside is None:
                        # The seam of the first colour is that of all, but for a few px.
                        inside = np.stack([shared(tangent) for tangent in truth.tangent])
                    self.truths[name, colour] = replace(truth, shared=inside)

    def search(self, limit_px: float, family: str, pins: Pins = FREE) -> tuple[Lookup, tuple[MapError, ...]]:
        """Return the smallest lookup of a family whose measured error is within the limit, and the errors.

        Raises
        ------
        PackageError
            The family cannot reach the limit; says how near it came.
        """
        return self.smallest(limit_px, replace(pins, family=family))

    def smallest(self, limit_px: float, pins: Pins = FREE) -> tuple[Lookup, tuple[MapError, ...]]:
        """Return the smallest lookup over families, chosen per channel; otherwise as `search`."""
        names = tuple(FAMILY_NAMES) if pins.family is None else (pins.family,)
        if pins.family is None and pins.fixes_mesh:
            names = ("spline",)
        maps: list[MapTable] = []
        errors: list[MapError] = []
        with one_blas_thread():
            for problem in self.problems:
                found, failures = [], []
                for name in names:
                    try:
                        found.append(self._search_channel(problem, limit_px, name, pins))
                    except PackageError as cause:
                        failures.append(cause)
                    if found and tables_bytes(found[-1][0]) <= _ENOUGH_BYTES:
                        break
                if not found:
                    nearest = min(failures, key=lambda cause: cast(float, cause.fields["error_px"]))
                    raise PackageError(" ".join(map(str, failures)), **nearest.fields) from nearest
                tables, measured = min(found, key=lambda one: tables_bytes(one[0]))
                start = len(maps)
                bases = (None if one.base is None else start + one.base for one in tables)
                maps += [replace(one, base=base) for one, base in zip(tables, bases, strict=True)]
                errors += measured
        return self._lookup(tuple(maps)), tuple(errors)

    def _search_channel(
        self, problem: ChannelProblem, limit_px: float, family: str, pins: Pins
    ) -> tuple[Tables, tuple[MapError, ...]]:
        """Return tables whose error, measured as a device evaluates them, is within the limit."""
        name, label = self.channels[problem.channel], FAMILY_NAMES[family].label
        self.progress(f"channel '{name}': {label}")
        asked, closest, searched = limit_px, np.inf, np.inf
        for _ in range(_REPEATS):
            tables, searched = _SEARCHES[family](problem, asked, pins)
            if tables is None:
                break
            errors = measured_errors(self._lookup(tables), self.truths)
            worst = max(error.held_px for error in errors)
            if worst <= limit_px:
                told = zip(tables, errors, strict=True)
                return tuple(replace(table, error_px=error.max_px) for table, error in told), errors
            closest = min(closest, worst)
            asked *= min(_MARGIN * limit_px / worst, _MARGIN) if np.isfinite(worst) else 0.5
        # What a search meets on its few points says little beside what was measured.
        closest = closest if np.isfinite(closest) else searched
        raise PackageError(
            f"channel '{name}': {label} cannot reach {limit_px:g} px{_pin_text(pins)}; the nearest came to "
            f"{closest:.3g} px. Allow a larger error (--max-error), or fix less "
            "(--family, --mesh, --rank, --bits).",
            channel=name,
            family=family,
            error_px=float(closest),
        )

    def _lookup(self, tables: Tables) -> Lookup:
        return Lookup(self.channels, self.colours, self.sizes, self.box_mm, tables, self.content)


def _shared(seam: "Seam | None", channel: str) -> Callable[[FloatArray], BoolArray] | None:
    """Return what tells which directions (..., 2) a channel hands over to others; None without a seam."""
    if seam is None or channel not in seam.channels:
        return None
    claims, own = seam.claims, seam.index(channel)
    return lambda tangent: handed_over(claims.at(tangent), own)


def _series_of_channel(fields: list["Field"], box_mm: FloatArray) -> tuple[FieldSeries, ...]:
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
            f"pupil_box_mm is {box.tolist()}; expected (2, 3): lowest, then highest x, y, z, within 100 mm."
        )
    return float32_array(box)


def _pin_text(pins: Pins) -> str:
    given = {"mesh": pins.mesh_columns, "rank": pins.rank, "bits": pins.bits}
    fixed = [f"{name} {value}" for name, value in given.items() if value is not None]
    return f" with {', '.join(fixed)}" if fixed else ""
