"""Sums of a known map and a difference: exact, whatever their degrees and kinds."""

import numpy as np
import pytest

from prewarp.chebyshev import count_of_degree
from prewarp.fitting.base import added
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import PupilFrame
from prewarp.fitting.splines import MeshPanel, SplinePanel

SIZE = (640, 480)
FRAME = PupilFrame((0.0, 0.5), (4.0, 3.0))


def expansion(degree, pupil_degree, *, cells=None, seed=1):
    trend = ChebyshevPanel(SIZE, degree, (300.0, 230.0))
    panel = trend if cells is None else MeshPanel(trend, SplinePanel(SIZE, cells))
    shape = (panel.count, count_of_degree(pupil_degree), 2)
    return Expansion(panel, FRAME, pupil_degree, np.random.default_rng(seed).normal(size=shape))


@pytest.mark.parametrize("cells", [None, (4, 3)])
@pytest.mark.parametrize(("own", "other"), [((6, 3), (3, 2)), ((3, 1), (5, 4)), ((4, 2), (4, 2))])
def test_a_sum_is_exact(own, other, cells):
    base, difference = expansion(*own, cells=cells), expansion(*other, seed=2)
    random = np.random.default_rng(3)
    pixel = random.uniform(0.0, SIZE, (50, 2))
    place = random.uniform(-3.0, 3.0, (50, 2))
    wanted = base.values(pixel, place) + difference.values(pixel, place)
    np.testing.assert_allclose(added(base, difference).values(pixel, place), wanted, atol=1e-11)
