"""Bytes against error: every family at several limits, plain lattices beside them, and the smallest tables of all."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from numpy.typing import ArrayLike

from prewarp.checks import require_range
from prewarp.errors import PackageError
from prewarp.lookup.measure import MapError
from prewarp.lookup.optimise import COMPRESSED, FREE, Optimiser, Pins
from prewarp.lookup.size import blob_bytes
from prewarp.lookup.tables import Family, Lookup

if TYPE_CHECKING:
    from prewarp.field import FieldSet

# The trade is shown for these multiples of the limit.
TRADE_FACTORS = (4.0, 2.0, 1.0, 0.5)


@dataclass(frozen=True)
class TradeRow:
    """One point of the trade: `limit_px` asked, `family`, `byte_count` and `error_px` measured, or None and why in `note`."""

    limit_px: float
    family: str
    byte_count: int | None
    error_px: float | None
    settings: str
    note: str = ""


@dataclass(frozen=True)
class OptimisationResult:
    """`lookup` the smallest tables; `errors` per map; `trade` rows; `plain` the smallest plain lattice or None, with its notes."""

    lookup: Lookup
    limit_px: float
    byte_count: int
    errors: tuple[MapError, ...]
    trade: tuple[TradeRow, ...]
    plain_bytes: int | None
    plain_notes: tuple[str, ...]

    @property
    def times_smaller(self) -> float | None:
        """How many times fewer bytes than the smallest plain lattice that reaches the same error."""
        return None if self.plain_bytes is None else self.plain_bytes / self.byte_count


def optimise_lookup(
    fields: "FieldSet",
    /,
    *,
    max_error_px: float,
    pupil_box_mm: ArrayLike,
    pins: Pins = FREE,
    trade: bool = True,
    **options: object,
) -> OptimisationResult:
    """Find the smallest tables whose error is at most `max_error_px` over panel x eye box x colours, and show the trade.

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
        Whether to search every family at several limits as well, and to plan plain lattices.
    **options
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
    optimiser = Optimiser(fields, pupil_box_mm=pupil_box_mm, **options)
    lookup, errors = optimiser.smallest(max_error_px, pins)
    rows: list[TradeRow] = []
    plain_bytes, notes = None, ()
    if trade:
        for factor in TRADE_FACTORS:
            rows += _trade_rows(optimiser, factor * max_error_px, pins)
        plans, notes = optimiser.plain(max_error_px)
        plain_bytes = None if plans is None else sum(plan.byte_count for plan in plans)
    return OptimisationResult(
        lookup, max_error_px, blob_bytes(lookup), errors, tuple(rows), plain_bytes, notes
    )


def _trade_rows(optimiser: Optimiser, limit_px: float, pins: Pins) -> list[TradeRow]:
    rows = []
    for family in COMPRESSED:
        try:
            lookup, errors = optimiser.search(limit_px, family, pins)
        except PackageError as cause:
            rows.append(TradeRow(limit_px, family, None, None, "", str(cause)))
            continue
        worst = max(error.max_px for error in errors)
        rows.append(TradeRow(limit_px, family, blob_bytes(lookup), worst, settings_text(lookup)))
    plans, notes = optimiser.plain(limit_px)
    if plans is None:
        rows.append(TradeRow(limit_px, "lattice", None, None, "", "; ".join(notes)))
    else:
        plan = plans[0]
        rows.append(
            TradeRow(
                limit_px,
                "lattice",
                sum(one.byte_count for one in plans),
                max(one.error_px for one in plans),
                f"{plan.columns} x {plan.rows} nodes, {'x'.join(map(str, plan.pupil_counts))} pupils, {plan.storage}",
                "planned, not built; error on sampled cells",
            )
        )
    return rows


def settings_text(lookup: Lookup, /) -> str:
    """Return in a few words what the tables of the first channel are."""
    tables = [table for table in lookup.maps if table.channel == lookup.maps[0].channel]
    first = tables[0]
    widths = sorted({int(block.format) for table in tables for block in table.blocks if block.format <= 32})
    bits = "/".join(str(width) for width in widths) + " bit"
    if first.family == Family.CHEBYSHEV:
        terms = "+".join(str(sum(len(b.numbers) for b in table.blocks[1::3])) for table in tables)
        return f"{terms} terms, degree {first.columns - 1} in panel, {first.pupil_degree} in pupil, {bits}"
    nodes = 2 if first.family == Family.SPLINE else 0
    rank = "+".join(str(table.modes) for table in tables)
    return f"{first.columns - nodes} x {first.rows - nodes} nodes, {rank} modes, {bits}"
