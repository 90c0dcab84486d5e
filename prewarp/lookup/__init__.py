"""Eye-indexed tables for devices: built, compressed, evaluated as a device does."""

from prewarp.lookup.device import PreparedMap, Status, prepare
from prewarp.lookup.optimise import Optimiser
from prewarp.lookup.pins import Pins
from prewarp.lookup.tables import Family, Lookup, MapTable
from prewarp.lookup.trade import OptimisationResult, TradeRow, optimise_lookup

__all__ = [
    "Family",
    "Lookup",
    "MapTable",
    "OptimisationResult",
    "Optimiser",
    "Pins",
    "PreparedMap",
    "Status",
    "TradeRow",
    "optimise_lookup",
    "prepare",
]
