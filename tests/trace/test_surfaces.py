"""Surface shapes: sag, normal, and where rays meet them."""

import numpy as np
import pytest

from prewarp.trace.surfaces import Shape

SHAPES = [
    Shape(),
    Shape(1 / 50.0),
    Shape(-1 / 35.0, 0.4),
    Shape(1 / 40.0, -1.0),
    Shape(-1 / 30.0, -2.3),
    Shape(0.0, 0.0, (2e-6, -3e-9)),
    Shape(1 / 60.0, -0.7, (3e-6, 0.0, 1e-12)),
    Shape(-1 / 45.0, 1.5, (-4e-6, 2e-9)),
]


def rays(count=400, seed=5):
    rng = np.random.default_rng(seed)
    point = np.column_stack(
        [rng.uniform(-8, 8, count), rng.uniform(-8, 8, count), rng.uniform(-30, -20, count)]
    )
    direction = np.column_stack([rng.uniform(-0.3, 0.3, (count, 2)), np.ones(count)])
    return point, direction / np.linalg.norm(direction, axis=-1, keepdims=True)


@pytest.mark.parametrize("shape", SHAPES)
def test_met_points_lie_on_the_surface_and_on_the_ray(shape):
    point, direction = rays()
    met = shape.meet(point, direction)
    np.testing.assert_allclose(met[:, 2], shape.sag(met[:, 0], met[:, 1]), rtol=0, atol=4e-14)
    np.testing.assert_allclose(np.cross(met - point, direction), 0.0, atol=2e-13)
    back = shape.meet(met + 7.0 * direction, -direction)
    np.testing.assert_allclose(back, met, atol=1e-12)


@pytest.mark.parametrize("shape", SHAPES)
def test_normal_is_the_gradient_and_points_to_the_light(shape):
    x, y = np.meshgrid(np.linspace(-9, 9, 7), np.linspace(-9, 9, 7))
    normal, step = shape.normal(x, y), 1e-5
    dx = (shape.sag(x + step, y) - shape.sag(x - step, y)) / (2 * step)
    dy = (shape.sag(x, y + step) - shape.sag(x, y - step)) / (2 * step)
    np.testing.assert_allclose(np.linalg.norm(normal, axis=-1), 1.0, atol=1e-15)
    assert np.all(normal[..., 2] < 0.0)
    np.testing.assert_allclose(-normal[..., 0] / normal[..., 2], dx, atol=1e-9)
    np.testing.assert_allclose(-normal[..., 1] / normal[..., 2], dy, atol=1e-9)


def test_sag_of_a_sphere_and_a_paraboloid():
    # Sphere R = 50 at r = 30: 50 - sqrt(2500 - 900) = 10; paraboloid r^2 / (2 R) = 9 (plain arithmetic).
    assert Shape(1 / 50.0).sag(np.array(30.0), np.array(0.0)) == pytest.approx(10.0, abs=1e-13)
    assert Shape(1 / 50.0, -1.0).sag(np.array(18.0), np.array(24.0)) == pytest.approx(9.0, abs=1e-13)


def test_rays_that_miss_are_nan_and_the_batch_goes_on():
    point = np.array([[0.0, 0.0, -10.0], [60.0, 0.0, -10.0], [10.0, 0.0, -10.0], [0.0, 5.0, -10.0]])
    direction = np.array([[0, 0, 1.0], [0, 0, 1.0], [0, 0, 1.0], [1.0, 0, 0]])
    met = Shape(1 / 50.0).meet(point, direction)
    assert np.isnan(met).all(axis=-1).tolist() == [False, True, False, True]
    # The far half of the sphere (beyond z = R) is not the surface.
    sideways = Shape(1 / 50.0).meet(np.array([[-70.0, 0.0, 80.0]]), np.array([[0.8, 0.0, -0.6]]))
    assert np.isnan(sideways).all() or sideways[0, 2] <= 50.0
