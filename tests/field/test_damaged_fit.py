"""A damaged fit file: a clear error or a right answer, whatever byte was hit."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prewarp.errors import PrewarpError
from prewarp.field import FieldSet
from prewarp.files import npz_bytes, read_npz
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


def test_an_altered_array_in_a_sound_archive_is_refused(fit_file, tmp_path):
    """One number of any array, by its last bit or by much; an array left out; a digest left out."""
    path = tmp_path / "altered.npz"
    path.write_bytes(fit_file[0])
    arrays = read_npz(path, limit_bytes=1 << 28, what="a fit")
    assert FieldSet.load(path).fields.keys() == fit_file[1].fields.keys()
    for name, array in arrays.items():
        if array.size == 0:
            continue
        raw = bytearray(np.ascontiguousarray(array).tobytes())
        raw[0] ^= 1
        changed = np.frombuffer(bytes(raw), dtype=array.dtype).reshape(array.shape)
        for altered in ({**arrays, name: changed}, {key: arrays[key] for key in arrays if key != name}):
            path.write_bytes(npz_bytes(altered))
            with pytest.raises(PrewarpError, match=r"altered\.npz: not (the fit that was|a fit)"):
                FieldSet.load(path)
