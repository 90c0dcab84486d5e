"""Fixtures that several folders share: the closed-form channels and the seam between them."""

import os

# Tests run on every core; two BLAS threads each would slow small sums. Before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest

from prewarp.export import verify
from prewarp.export.lookup_files import BLOB
from prewarp.export.truth import KIND as TRUTH
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels


@pytest.fixture(scope="module")
def fields():
    return plane_set(*two_channels())


@pytest.fixture(scope="module")
def seam(fields):
    return build_seam(fields, pupils_mm=EYE_BOX_CORNERS)


@pytest.fixture(scope="session", autouse=True)
def light_of_the_same_bytes_is_measured_once():
    """`verify` measures the light of a package for seconds, and many tests verify copies of one package."""
    measure, known = verify.package_light, {}

    def remembered(package):
        files = [package.path(entry) for kind in (BLOB, TRUTH) for entry in package.entries(kind)]
        if not all(path.is_file() for path in files):
            return measure(package)
        key = (*(path.read_bytes() for path in files), repr(package.manifest["channels"]))
        if key not in known:
            known[key] = measure(package)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verify, "package_light", remembered)
        yield
