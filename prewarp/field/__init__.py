"""The fitted field: forward, inverse, Jacobians, folds; whole fits and files; a fit compared with a grid.

`fit_grid` is imported when it is asked for: with all that checks a grid it takes a tenth of what commands
need to begin that have a fit already.
"""

from typing import TYPE_CHECKING

from prewarp.field.captured import Captured
from prewarp.field.certainty import prediction_sigma
from prewarp.field.comparison import Comparison, compare_grid
from prewarp.field.field import Field, InverseResult
from prewarp.field.fieldset import ChannelReport, FieldSet
from prewarp.field.fold import FoldResult, find_fold
from prewarp.field.known import (
    NotKnown,
    Outside,
    common_motion,
    motion_not_known,
    outside_capture,
    require_captured,
)
from prewarp.field.mount import UNMOUNTED, Mount

if TYPE_CHECKING:
    from prewarp.field.build import fit_grid as fit_grid

__all__ = [
    "UNMOUNTED",
    "Captured",
    "ChannelReport",
    "Comparison",
    "Field",
    "FieldSet",
    "FoldResult",
    "InverseResult",
    "Mount",
    "NotKnown",
    "Outside",
    "common_motion",
    "compare_grid",
    "find_fold",
    "fit_grid",
    "motion_not_known",
    "outside_capture",
    "prediction_sigma",
    "require_captured",
]


def __getattr__(name: str) -> object:
    if name != "fit_grid":
        raise AttributeError(f"module 'prewarp.field' has no attribute {name!r}.")
    from prewarp.field.build import fit_grid

    return fit_grid
