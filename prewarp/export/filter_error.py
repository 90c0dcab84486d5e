"""What a texture unit's filter costs: it rounds places between pixels to a few bits.

Common practice is 8 bits of fraction; Vulkan guarantees 4 (`subTexelPrecisionBits`), OpenGL ES no number.
"""

import numpy as np

from prewarp.content import ContentProjection
from prewarp.export.shader_files import FILTERED
from prewarp.export.truth import Truth

BITS, GUARANTEED_BITS = 8, 4
# Content is read through the filter where that takes at most so much of the error asked for.
LARGEST_SHARE = 0.1


def filter_error_px(truth: Truth, content: ContentProjection, /, *, bits: int = BITS) -> float:
    """Return how far places are off, panel px: half a step of the filter both ways, at the worst point."""
    step = 0.5 * 2.0**-bits * np.sqrt(2.0) / content.focal_px
    slopes = [np.linalg.norm(one.px_per_tangent, 2, axis=(-2, -1)).max() for one in truth.maps.values()]
    return float(step * max(slopes))


def rounding_px(truth: Truth, content: ContentProjection, sampling: str, /) -> float:
    """Return what the texture unit takes of an error asked for, panel px: nothing where content is read by
    fetches (`shader_files.SAMPLINGS`).
    """
    return filter_error_px(truth, content) if sampling == FILTERED else 0.0
