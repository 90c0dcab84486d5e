"""What errors are measured with: px per tangent on panels that are not square, and pupils outside the box."""

import numpy as np
import pytest

from prewarp.lookup.device import unit_pupil_32
from prewarp.lookup.measure import map_truth
from tests.lookup.small_lookups import BOX_MM, SIZE, plane_fields


def test_px_per_tangent_is_the_inverse_of_the_slopes():
    assert SIZE[0] != SIZE[1]
    field = plane_fields()["left", "G"]
    pupil = np.array([1.0, -2.0, 0.5])
    truth = map_truth(field, pupil[None], panel_points=41)
    u, v = (np.linspace(0.0, size, 41) for size in SIZE)
    pixel = np.stack(np.meshgrid(u, v), axis=-1)[10:30:5, 10:30:5]
    slope = field.jacobian(pixel, pupil_mm=pupil)
    np.testing.assert_allclose(
        truth.px_per_tangent[0][10:30:5, 10:30:5] @ slope, np.broadcast_to(np.eye(2), slope.shape), atol=1e-3
    )


@pytest.mark.parametrize(
    ("pupil", "unit"),
    [
        ((9.0, -9.0, 0.0), (1.0, -1.0, 0.0)),
        ((4.0, 3.0, -7.0), (1.0, 1.0, -1.0)),
        ((1.0, 1.5, 1.0), (0.25, 0.5, 0.5)),
    ],
)
def test_pupils_outside_the_box_are_held_at_its_edge(pupil, unit):
    np.testing.assert_allclose(unit_pupil_32(np.array(pupil), BOX_MM), unit, atol=1e-7)
    assert unit_pupil_32(np.array(pupil), BOX_MM * [1.0, 1.0, 0.0])[2] == 0.0
