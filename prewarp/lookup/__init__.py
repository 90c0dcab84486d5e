"""Eye-indexed tables for devices: built, compressed, evaluated as a device does. Design's section 5."""

from prewarp.lookup.device import PreparedMap, Status, prepare
from prewarp.lookup.optimise import OptimisationResult, Optimiser, Pins, TradeRow, optimise_lookup
from prewarp.lookup.tables import Family, Lookup, MapTable, Surface

__all__ = [
    "Family",
    "Lookup",
    "MapTable",
    "OptimisationResult",
    "Optimiser",
    "Pins",
    "PreparedMap",
    "Status",
    "Surface",
    "TradeRow",
    "optimise_lookup",
    "prepare",
]
