"""The seam between channels of one eye: reach, blend and its policies, misregistration, time.

Photometry, registration and the tracker budget are modules of their own.
"""

from prewarp.seam.blend import Seam, build_seam, quintic_smoothstep, shown_weights
from prewarp.seam.claims import ClaimLattice
from prewarp.seam.comparison import PolicyFigures, policy_figures
from prewarp.seam.gaps import PupilGap, survey_gaps
from prewarp.seam.in_step import PanelsInStep, panels_in_step
from prewarp.seam.light import ChannelLight, channel_lights
from prewarp.seam.misregistration import SeamErrorResult, seam_error
from prewarp.seam.overlap import Overlap, overlaps
from prewarp.seam.policies import POLICIES, BlendPolicy, FollowingBlend, blend_policy
from prewarp.seam.reach import ChannelReach, FieldOfView, channel_reach, field_of_view
from prewarp.seam.scan_advice import ScanAdvice, ScanPlan
from prewarp.seam.sensitivity import SensitivityMap, channel_sensitivity, seam_sensitivity, sensitivity_map
from prewarp.seam.survey import PairOverlap, survey_overlap
from prewarp.seam.timing import SeamTiming, lit_ms, seam_timing, timing_not_known

__all__ = [
    "ClaimLattice",
    "POLICIES",
    "BlendPolicy",
    "ChannelLight",
    "ChannelReach",
    "FieldOfView",
    "FollowingBlend",
    "Overlap",
    "PairOverlap",
    "PanelsInStep",
    "PolicyFigures",
    "PupilGap",
    "ScanAdvice",
    "ScanPlan",
    "Seam",
    "SeamErrorResult",
    "SeamTiming",
    "SensitivityMap",
    "blend_policy",
    "build_seam",
    "channel_lights",
    "channel_reach",
    "channel_sensitivity",
    "field_of_view",
    "lit_ms",
    "overlaps",
    "panels_in_step",
    "policy_figures",
    "quintic_smoothstep",
    "seam_error",
    "seam_sensitivity",
    "seam_timing",
    "sensitivity_map",
    "shown_weights",
    "survey_gaps",
    "survey_overlap",
    "timing_not_known",
]
