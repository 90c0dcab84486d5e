"""The seam between channels of one eye: reach, blend, misregistration (design's section 4).

Photometry, registration and the tracker budget are modules of their own.
"""

from prewarp.seam.blend import Seam, build_seam, quintic_smoothstep
from prewarp.seam.misregistration import SeamErrorResult, seam_error, seam_sensitivity
from prewarp.seam.reach import ChannelReach, FieldOfView, channel_reach, field_of_view

__all__ = [
    "ChannelReach",
    "FieldOfView",
    "Seam",
    "SeamErrorResult",
    "build_seam",
    "channel_reach",
    "field_of_view",
    "quintic_smoothstep",
    "seam_error",
    "seam_sensitivity",
]
