"""Fixtures that several folders share: the closed-form channels and the seam between them."""

import os

# Tests run on every core; two BLAS threads each would slow small sums. Before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest

from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels


@pytest.fixture(scope="module")
def fields():
    return plane_set(*two_channels())


@pytest.fixture(scope="module")
def seam(fields):
    return build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
