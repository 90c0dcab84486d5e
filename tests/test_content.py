"""Content pictures: where a direction lies in a flat and in an equidistant one."""

import numpy as np
import pytest

from prewarp.content import ContentProjection


@pytest.mark.parametrize(
    ("projection", "at_30_deg"), [("flat", np.tan(np.pi / 6.0)), ("equidistant", 2.0 / 3.0)]
)
def test_thirty_degrees_to_the_right_and_above(projection, at_30_deg):
    """90 degrees over 800 px: 30 degrees off are tan(30 deg) of half the width, or two thirds of it."""
    content = ContentProjection(projection, (800, 600), 90.0)
    right, above = np.tan(np.radians([[30.0, 0.0], [0.0, 30.0]]))
    np.testing.assert_allclose(content.pixel_from_tangent(right), [400.0 * (1.0 + at_30_deg), 300.0])
    np.testing.assert_allclose(content.pixel_from_tangent(above), [400.0, 300.0 - 400.0 * at_30_deg])
    np.testing.assert_allclose(content.pixel_from_tangent(np.zeros(2)), [400.0, 300.0])
    for one in (right, above, np.zeros(2), np.array([-0.4, 0.7])):
        np.testing.assert_allclose(
            content.tangent_from_pixel(content.pixel_from_tangent(one)), one, atol=1e-12
        )


def test_an_equidistant_picture_ends_at_ninety_degrees():
    content = ContentProjection("equidistant", (1000, 1000), 100.0)
    just, beyond = 500.0 + content.focal_px * np.radians([89.0, 91.0])
    assert content.tangent_from_pixel(np.array([just, 500.0]))[0] == pytest.approx(np.tan(np.radians(89.0)))
    assert np.isnan(content.tangent_from_pixel(np.array([beyond, 500.0]))).all()
