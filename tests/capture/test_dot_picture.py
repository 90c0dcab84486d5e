"""Expected pictures of dots against sums over points, and their derivatives against differences."""

import numpy as np
import pytest

from prewarp.capture.extract.picture import disc_pictures

MATRIX = np.array([[[1.0, 0.2], [-0.1, 0.9]]])
RADIUS, VARIANCE, HALF = 5.0, 0.6, 10


def pictures(offset=(0.2, -0.3), radius=RADIUS):
    return disc_pictures(np.array([offset]), HALF, MATRIX, np.array([radius]), np.array([VARIANCE]))


def by_points(move=lambda at: at, count=400):
    """Return the picture as a sum of blurred points of the disc, moved by a map, brightness kept."""
    edge = (np.arange(count) + 0.5) / count * 2.0 - 1.0
    disc = np.stack(np.meshgrid(edge, edge), axis=-1).reshape(-1, 2)
    disc = disc[np.sum(disc**2, axis=1) < 1.0] * RADIUS
    at = disc @ MATRIX[0].T
    step = 1e-4
    across = (move(at + [step, 0.0]) - move(at - [step, 0.0])) / (2 * step)
    down = (move(at + [0.0, step]) - move(at - [0.0, step])) / (2 * step)
    area = np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0])
    light = area * abs(np.linalg.det(MATRIX[0])) * (2.0 / count * RADIUS) ** 2
    place = move(at)
    pixel = np.arange(-HALF, HALF + 1.0)
    bell = [
        np.exp(-((pixel[:, None] - off - place[:, axis]) ** 2) / (2 * VARIANCE))
        / np.sqrt(2 * np.pi * VARIANCE)
        for axis, off in ((0, 0.2), (1, -0.3))
    ]
    return (bell[1] * light) @ bell[0].T


def test_the_picture_is_the_sum_of_its_points():
    # 400 x 400 points leave 4e-4 at the rim.
    assert np.abs(pictures().disc[0] - by_points()).max() < 6e-4


def test_derivatives_follow_differences():
    step = 1e-3
    one, other = pictures((0.2 - step, -0.3)), pictures((0.2 + step, -0.3))
    difference = (one.disc - other.disc) / (2 * step)
    assert np.abs(difference - pictures().slope[1, 0]).max() < 1e-3
    difference = (one.slope[1, 1] - other.slope[1, 1]) / (2 * step)
    assert np.abs(difference - pictures().slope[2, 1]).max() < 1e-3
    larger, smaller = pictures(radius=RADIUS * (1 + step)), pictures(radius=RADIUS * (1 - step))
    difference = (larger.disc - smaller.disc) / (2 * step)
    assert np.abs(difference - pictures().dilation()).max() < 1e-3


def test_a_bent_map_moves_light_and_keeps_brightness():
    second = np.random.default_rng(1).normal(size=(1, 2, 3)) * 1e-3

    def bent(sign):
        def move(at):
            x, y = at.T
            squares = np.stack([x * x, x * y, y * y])
            return at + sign * (second[0] @ squares).T

        return by_points(move)

    change = (bent(1.0) - bent(-1.0)) / 2.0
    assert np.abs(change).max() > 5e-3
    assert np.abs(change - pictures().bent(second)[0]).max() == pytest.approx(0.0, abs=5e-5)
