"""One measured display for all photometry tests: its fields, seam, luminance maps and match, made once."""

import numpy as np
import pytest

from prewarp.photometry import fit_luminance, match_light
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels
from tests.photometry.truth import SIZE, measured_grid

SIZES = {"left": SIZE, "right": SIZE}
EYE_BOX = np.vstack([EYE_BOX_CORNERS, np.zeros((1, 3))])


@pytest.fixture(scope="session")
def large_fields():
    return plane_set(*two_channels(SIZE))


@pytest.fixture(scope="session")
def large_seam(large_fields):
    return build_seam(large_fields, pupils_mm=EYE_BOX_CORNERS)


@pytest.fixture(scope="session")
def maps():
    return fit_luminance(measured_grid(), panel_sizes_px=SIZES)


@pytest.fixture(scope="session")
def match(large_fields, maps, large_seam):
    return match_light(large_fields, maps, large_seam, pupils_mm=EYE_BOX)
