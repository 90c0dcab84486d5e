"""Bytes against error: every family at several limits, and the smallest tables of all."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import require_range
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.chebyshev_terms import terms_of
from prewarp.lookup.measure import PANEL_POINTS, PUPIL_COUNTS, MapError
from prewarp.lookup.optimise import Optimiser
from prewarp.lookup.pins import FREE, Pins
from prewarp.lookup.tables import FAMILY_NAMES, Family, Lookup

if TYPE_CHECKING:
    from prewarp.field import FieldSet
    from prewarp.seam import Seam

# The trade is shown for these multiples of the limit.
TRADE_FACTORS = (4.0, 2.0, 1.0, 0.5)


@dataclass(frozen=True)
class TradeRow:
    """One point of the trade: `limit_px` asked of a `family`.

    `byte_count` and `error_px`: as measured; None where it cannot be reached, and why in `note`.
    """

    limit_px: float
    family: str
    byte_count: int | None
    error_px: float | None
    settings: str
    note: str = ""


@dataclass(frozen=True)
class OptimisationResult:
    """`lookup`: the smallest tables, of `byte_count`; `errors` per map; `trade` rows, if asked for."""

    lookup: Lookup
    limit_px: float
    byte_count: int
    errors: tuple[MapError, ...]
    trade: tuple[TradeRow, ...]


def optimise_lookup(
    fields: "FieldSet",
    /,
    *,
    max_error_px: float,
    pupil_box_mm: ArrayLike,
    pins: Pins = FREE,
    trade: bool = True,
    channels: Sequence[str] | None = None,
    seam: "Seam | None" = None,
    content: ContentProjection | None = None,
    panel_points: int = PANEL_POINTS,
    pupil_counts: tuple[int, int, int] = PUPIL_COUNTS,
    progress: Callable[[str], None] = lambda text: None,
) -> OptimisationResult:
    """Find the smallest tables with at most `max_error_px` over panel, eye box and colours, and the trade.

    Parameters
    ----------
    fields : FieldSet
    max_error_px : float
        Largest error of any map anywhere, panel px.
    pupil_box_mm : (2, 3) float array
        Lowest and highest pupil position, mm.
    pins : Pins
        What is fixed instead of searched.
    trade : bool
        Whether to search every family at several limits as well.
    channels, seam, content, panel_points, pupil_counts, progress
        As in `Optimiser`.

    Returns
    -------
    OptimisationResult

    Raises
    ------
    PackageError
        Nothing reaches the limit with what is fixed; says how near it came.
    ShapeError
        A limit or box out of range.
    """
    require_range(max_error_px, "max_error_px", 1e-3, 100.0, unit="px")
    optimiser = Optimiser(
        fields,
        pupil_box_mm=pupil_box_mm,
        channels=channels,
        seam=seam,
        content=content,
        panel_points=panel_points,
        pupil_counts=pupil_counts,
        progress=progress,
    )
    lookup, errors = optimiser.smallest(max_error_px, pins)
    limits = [factor * max_error_px for factor in TRADE_FACTORS if trade]
    rows = tuple(_trade_row(optimiser, limit, family, pins) for limit in limits for family in FAMILY_NAMES)
    return OptimisationResult(lookup, max_error_px, len(blob_from_lookup(lookup)), errors, rows)


def _trade_row(optimiser: Optimiser, limit_px: float, family: str, pins: Pins) -> TradeRow:
    try:
        lookup, errors = optimiser.search(limit_px, family, pins)
    except PackageError as cause:
        return TradeRow(limit_px, family, None, None, "", str(cause))
    worst = max(error.max_px for error in errors)
    return TradeRow(limit_px, family, len(blob_from_lookup(lookup)), worst, settings_text(lookup))


def settings_text(lookup: Lookup, /) -> str:
    """Return in a few words what the tables of the first channel are."""
    tables = [table for table in lookup.maps if table.channel == lookup.maps[0].channel]
    first = tables[0]
    if first.family == Family.CHEBYSHEV:
        terms = "+".join(str(np.count_nonzero(terms_of(table)[0])) for table in tables)
        return f"{terms} terms, degree {first.columns - 1} in panel, {first.pupil_degree} in pupil"
    widths = sorted({int(block.format) for table in tables for block in table.blocks if block.format <= 16})
    bits = "/".join(str(width) for width in widths) + " bit"
    rank = "+".join(str(table.modes) for table in tables)
    return f"{first.columns - 2} x {first.rows - 2} nodes, {rank} modes, {bits}"
