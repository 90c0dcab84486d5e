"""Bilinear sampling: closed values, both borders, and OpenCV as an outside reference."""

import numpy as np
import pytest

from prewarp.render.sampling import sampling_plane
from tests.support import require_module

PLANE = np.array([[0.0, 1.0, 2.0], [10.0, 11.0, 12.0]], dtype=np.float32)


def sample(plane, u, v):
    return plane.sample(np.asarray(u, dtype=np.float32), np.asarray(v, dtype=np.float32))


def test_centres_and_middles():
    plane = sampling_plane(PLANE, border="black")
    np.testing.assert_allclose(
        sample(plane, [0.5, 2.5, 1.0, 1.25], [0.5, 1.5, 1.0, 0.5]), [0.0, 12.0, 5.5, 0.75]
    )


def test_black_border_fades_over_half_a_pixel():
    plane = sampling_plane(PLANE, border="black")
    # At the picture's edge half the light is left; half a texel further out nothing.
    np.testing.assert_allclose(
        sample(plane, [3.0, 3.5, 99.0, -99.0], [0.5, 0.5, 0.5, 1.0]), [1.0, 0.0, 0.0, 0.0]
    )
    np.testing.assert_allclose(sample(plane, [1.5, 1.5, 1.5], [2.0, 2.5, 1e9]), [5.5, 0.0, 0.0])


def test_edge_border_repeats_the_rim():
    plane = sampling_plane(PLANE, border="edge")
    np.testing.assert_allclose(
        sample(plane, [0.0, 3.0, 3.4, -5.0, 9.0], [0.0, 0.5, 2.0, 9.0, -9.0]), [0, 2, 12, 10, 2]
    )


@pytest.mark.outside
def test_agrees_with_opencv_remap():
    cv2 = require_module("cv2")
    rng = np.random.default_rng(5)
    plane = rng.random((300, 400), dtype=np.float32)
    u = rng.uniform(-5.0, 405.0, (200, 500)).astype(np.float32)
    v = rng.uniform(-5.0, 305.0, (200, 500)).astype(np.float32)
    for border, mode in (("black", cv2.BORDER_CONSTANT), ("edge", cv2.BORDER_REPLICATE)):
        expected = cv2.remap(plane, u - 0.5, v - 0.5, cv2.INTER_LINEAR, borderMode=mode)
        got = sample(sampling_plane(plane, border=border), u.ravel(), v.ravel()).reshape(u.shape)
        # float32 positions near 400 px are known to 3e-5 px, and neighbours differ by up to 1.
        np.testing.assert_allclose(got, expected, atol=3e-4)
