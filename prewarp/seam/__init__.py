"""The seam between channels of one eye: reach, blend and its policies, misregistration.

Photometry, registration and the tracker budget are modules of their own.
"""

from prewarp.seam.blend import Seam, build_seam, quintic_smoothstep
from prewarp.seam.comparison import PolicyFigures, policy_figures
from prewarp.seam.misregistration import SeamErrorResult, seam_error
from prewarp.seam.overlap import Overlap, overlaps
from prewarp.seam.policies import POLICIES, BlendPolicy, FollowingBlend, blend_policy
from prewarp.seam.reach import ChannelReach, FieldOfView, channel_reach, field_of_view
from prewarp.seam.sensitivity import SensitivityMap, channel_sensitivity, seam_sensitivity, sensitivity_map
from prewarp.seam.survey import PairOverlap, survey_overlap

__all__ = [
    "POLICIES",
    "BlendPolicy",
    "ChannelReach",
    "FieldOfView",
    "FollowingBlend",
    "Overlap",
    "PairOverlap",
    "PolicyFigures",
    "Seam",
    "SeamErrorResult",
    "SensitivityMap",
    "blend_policy",
    "build_seam",
    "channel_reach",
    "channel_sensitivity",
    "field_of_view",
    "overlaps",
    "policy_figures",
    "quintic_smoothstep",
    "seam_error",
    "seam_sensitivity",
    "sensitivity_map",
    "survey_overlap",
]
