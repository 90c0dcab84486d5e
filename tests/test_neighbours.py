"""The nearest samples without oneself, against all distances written out."""

import numpy as np

from prewarp.neighbours import nearest_others


def test_nearest_are_those_of_all_distances():
    place = np.random.default_rng(1).normal(size=(60, 3))
    suspect = np.array([0, 7, 59])
    distance = np.linalg.norm(place[suspect][:, None] - place, axis=-1)
    distance[np.arange(3), suspect] = np.inf
    assert np.array_equal(nearest_others(place, suspect, 5), np.argsort(distance, axis=1)[:, :5])


def test_repeats_of_a_suspect_are_its_neighbours_and_it_is_not():
    place = np.array([[0.0, 0.0], [0.0, 0.0], [0.0, 0.0], [5.0, 0.0], [0.0, 9.0]])
    near = nearest_others(place, np.array([1]), 2)
    assert sorted(near[0]) == [0, 2]


def test_few_points_give_all_others():
    place = np.array([[0.0], [1.0], [3.0]])
    assert nearest_others(place, np.array([2]), 16).tolist() == [[1, 0]]
