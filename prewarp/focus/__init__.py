"""Focus: image distance and astigmatism over the field, and the focus step across the seam.

Both come free with an eye-box capture: how much a panel point's direction turns as the pupil moves is the
curvature of its wavefront. No warp mends a focus step; it can only be known.
"""

from prewarp.focus.certainty import focus_sigma
from prewarp.focus.step import NO_WARP, FocusStep, focus_step
from prewarp.focus.summary import channel_focus, unknown_focus, unknown_step
from prewarp.focus.wavefront import FocusResult, focus_at, focus_from_slope, focus_of_panel

__all__ = [
    "NO_WARP",
    "FocusResult",
    "FocusStep",
    "channel_focus",
    "focus_at",
    "focus_from_slope",
    "focus_of_panel",
    "focus_sigma",
    "focus_step",
    "unknown_focus",
    "unknown_step",
]
