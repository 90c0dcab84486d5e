"""The fitted field: forward, inverse, Jacobians, folds; whole fits and files; a fit compared with a grid."""

from prewarp.field.build import fit_grid
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
