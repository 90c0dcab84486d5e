"""The vignetting edge: where a channel's light ends, as a smooth surface over panel point and pupil position.

Past the edge of a lens or mirror luminance falls to nothing within a fraction of the pupil's width. A smooth
map cannot follow that and should not: light from there is of no use to a blend. So samples are told apart
into lit and dark, and the border between them is fitted as that of a field is (`prewarp.field.edges`).
"""

import numpy as np

from prewarp.checks import BoolArray
from prewarp.field.edges import fit_lit_region
from prewarp.field.lit import LitRegion
from prewarp.photometry.samples import LightSamples

_MAX_SAMPLES = 6000


def fit_edge(samples: LightSamples, lit: BoolArray, /) -> LitRegion:
    """Fit the border between lit and dark samples; both are needed."""
    place, count = samples.place.T, len(lit)
    if count > _MAX_SAMPLES:
        # Every n-th of a well mixed order: the same subset every time.
        chosen = np.random.default_rng(0).permutation(count)[:_MAX_SAMPLES]
        # Dark samples are few and say where the border is: none is left out.
        chosen = np.union1d(chosen, np.flatnonzero(~lit)[:_MAX_SAMPLES])
        place, lit = place[chosen], lit[chosen]
    width, height = samples.panel.size_px
    per_view = count / max(len(np.unique(samples.position)), 1)
    spacing = float(np.sqrt(width * height / max(per_view, 1.0)))
    return fit_lit_region(place, lit, panel_size_px=(width, height), frame=samples.frame, spacing_px=spacing)
