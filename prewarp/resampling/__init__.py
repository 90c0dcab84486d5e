"""Resampling: what an engineer needs to choose the content's resolution and the filter that reads it."""

from prewarp.resampling.contrast import FILTERS, folded_contrast, kept_contrast
from prewarp.resampling.measured import measured_contrast
from prewarp.resampling.sampling_map import SamplingMap, content_width_for, sampling_map

__all__ = [
    "FILTERS",
    "SamplingMap",
    "content_width_for",
    "folded_contrast",
    "kept_contrast",
    "measured_contrast",
    "sampling_map",
]
