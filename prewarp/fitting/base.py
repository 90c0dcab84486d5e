"""Fits as a difference to a known map: a few pupil positions show how a unit differs from its design.

What a unit differs by from its design, or from itself some weeks ago, is smaller and of lower degree than its
map, so fewer pupil positions show it. The difference is written in the bases and frames of the known map:
adding it is adding coefficients.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.residuals import residuals
from prewarp.fitting.samples import Samples
from prewarp.fitting.splines import MeshPanel


def trend_of(base: Expansion, /) -> ChebyshevPanel:
    """Return the polynomial panel basis of a map: all of it, or what lies under its splines."""
    panel = base.panel.trend if isinstance(base.panel, MeshPanel) else base.panel
    assert isinstance(panel, ChebyshevPanel)  # there are two kinds of panel basis
    return panel


def differences(samples: Samples, base: Sequence[Expansion], /) -> Samples:
    """Return samples of what direction cosines differ by from a known map, one expansion per colour.

    `samples` must have been prepared in the frames of the map (`prepare_samples`).
    """
    return replace(samples, cosine=np.ascontiguousarray(residuals(samples, tuple(base)).T))


def added(base: Expansion, difference: Expansion, /) -> Expansion:
    """Return the sum of a known map and a difference in its frames, exactly."""
    own, other = trend_of(base), trend_of(difference)
    assert own.half == other.half and base.frame == difference.frame  # of samples prepared in its frames
    trend = own if own.degree >= other.degree else other
    pupil = max(base.coefficients.shape[1], difference.coefficients.shape[1])
    coefficients = np.zeros((trend.count, pupil, 2))
    for one, panel in ((base.coefficients[: own.count], own), (difference.coefficients, other)):
        coefficients[: panel.count, : one.shape[1]] += one
    degree = max(base.pupil_degree, difference.pupil_degree)
    if not isinstance(base.panel, MeshPanel):
        return Expansion(trend, base.frame, degree, coefficients)
    local = np.zeros((base.panel.spline.count, pupil, 2))
    local[:, : base.coefficients.shape[1]] = base.coefficients[own.count :]
    mesh = MeshPanel(trend, base.panel.spline)
    return Expansion(mesh, base.frame, degree, np.concatenate([coefficients, local]))
