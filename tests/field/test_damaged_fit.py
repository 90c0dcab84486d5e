"""A damaged fit file: a clear error or a right answer, whatever byte was hit."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prewarp.errors import PrewarpError
from prewarp.field import FieldSet
from tests.sampled_fields import sampled_set
from tests.synthetic import two_channels

PIXEL, PUPIL = np.array([300.0, 200.0]), np.array([0.5, -0.5, 0.0])


@pytest.fixture(scope="module")
def fit_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("fit") / "visor.fit.npz"
    fields = sampled_set(two_channels())
    fields.save(path)
    return path.read_bytes(), fields


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_an_error_or_harmless(fit_file, tmp_path, data):
    whole, fields = fit_file
    kind = data.draw(st.sampled_from(["flip", "cut", "insert", "zero"]))
    place = data.draw(st.integers(0, len(whole) - 1))
    if kind == "flip":
        damaged = whole[:place] + bytes([whole[place] ^ data.draw(st.integers(1, 255))]) + whole[place + 1 :]
    elif kind == "cut":
        damaged = whole[:place]
    elif kind == "insert":
        damaged = whole[:place] + data.draw(st.binary(min_size=1, max_size=40)) + whole[place:]
    else:
        damaged = whole[:place] + bytes(min(64, len(whole) - place)) + whole[place + 64 :]
    path = tmp_path / "damaged.npz"
    path.write_bytes(damaged)
    try:
        back = FieldSet.load(path)
    except PrewarpError as error:
        assert "damaged.npz" in str(error)
        return
    # What was read has passed the archive's checksums: it is what was written.
    for key, field in fields.fields.items():
        np.testing.assert_array_equal(
            back.fields[key].forward(PIXEL, pupil_mm=PUPIL), field.forward(PIXEL, pupil_mm=PUPIL)
        )
