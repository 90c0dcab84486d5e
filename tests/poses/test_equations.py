"""The equations of the pose search against slow ones: finite differences, a matrix written out in full."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.fitting.chebyshev import exponents_up_to
from prewarp.fitting.leastsquares import RIDGE
from prewarp.fitting.polynomial import first_expansions
from prewarp.fitting.residuals import pixel_metric
from prewarp.poses.calibrate import _rays
from prewarp.poses.columns import FieldColumns
from prewarp.poses.elimination import eliminate
from prewarp.poses.gauge import orthonormal, similarity_vectors, wavefront_vectors
from prewarp.poses.rays import Poses, turned_units
from prewarp.poses.shots import shots_of
from prewarp.poses.truncation import next_degree_pull
from tests.poses.captures import SIGMA_MM, SIGMA_RAD, capture, pupil_lattice, stage_errors
from tests.poses.judging import panel_size


def rough(rays):
    """Return a quick fit of the labelled rays, quadratic in the pupil."""
    return first_expansions(replace(rays.samples, pupil=rays.samples.pupil.up_to(2)))[0]


def scene(depth_mm, size=1.0, dots=8):
    """Return rays of one channel, labels and the metric of a small capture."""
    labels = pupil_lattice(depth_mm)
    random = np.random.default_rng(3)
    grid = capture(stage_errors(25, random, size=size), labels, random, dots=dots, channels=("inner",))
    shots = shots_of(grid)
    rays = _rays(grid, shots, "inner", "G", panel_size(), None)
    return (
        rays,
        shots.label_mm,
        pixel_metric(rays.samples, rough(rays)),
    )


def some_poses(seed=4):
    errors = stage_errors(25, np.random.default_rng(seed))
    return Poses(errors.offset_mm, errors.turn_rad)


def test_slopes_are_those_of_finite_differences():
    """With the field held: q_fit(x) - q at poses a little apart, each of the six numbers of every shot."""
    rays, _, _ = scene(2.0)
    field = rough(rays)
    poses = some_poses()

    def rest(at):
        samples = rays.at(at).samples
        return field.values(samples.pixel, samples.reference_mm) - samples.cosine.T

    placed = rays.at(poses)
    slopes = placed.slopes(field.pupil_jacobian(placed.samples.pixel, placed.samples.reference_mm))
    for place, step in enumerate([1e-3] * 3 + [1e-5] * 3):
        change = np.zeros((25, 6))
        change[:, place] = step
        slow = (rest(poses.moved(change)) - rest(poses.moved(-change))) / (2.0 * step)
        np.testing.assert_allclose(slopes[place], slow, atol=1e-6 * np.abs(slow).max())


def full_matrix(rays, poses, model):
    """Return every column (m, 2, n) of the field as gradients of T_a(x) T_b(y) by central differences."""
    samples = rays.at(poses).samples
    x, y = samples.frame.normalised(samples.reference_mm)
    half_x, half_y = samples.frame.half_mm
    u, v = samples.panel_basis(model.degree).normalised(samples.pixel)

    def cheb(order, at):
        return np.cos(order * np.arccos(at + 0j)).real

    potentials = [
        (c, d) for total in range(1, model.pupil_degree + 2) for d in range(total + 1) for c in [total - d]
    ]
    step, columns = 1e-5, []
    for c, d in potentials:
        slope = np.stack(
            [
                (cheb(c, x + step) - cheb(c, x - step)) * cheb(d, y) / (2 * step * half_x),
                cheb(c, x) * (cheb(d, y + step) - cheb(d, y - step)) / (2 * step * half_y),
            ]
        )
        for a, b in exponents_up_to(60):
            if a + b + 2 * (c + d - 1) <= model.degree:
                columns.append(cheb(a, u) * cheb(b, v) * slope)
    return np.stack(columns)


def test_elimination_agrees_with_a_matrix_written_out():
    """J'WJ - J'WF (F'WF)^-1 F'WJ by least squares on all rows, weights included."""
    rays, _, metric = scene(2.0)
    poses, model = some_poses(), FieldColumns(6, 3)
    weight = np.random.default_rng(2).uniform(0.2, 1.0, rays.samples.count)
    found = eliminate(rays, poses, metric, weight, model, np.zeros(model.columns.count), 0)
    columns = full_matrix(rays, poses, model)
    assert len(columns) == model.columns.count
    placed = rays.at(poses)
    slopes = placed.slopes(found.expansion.pupil_jacobian(placed.samples.pixel, placed.samples.reference_mm))
    joint = np.zeros((25, 6, 2, rays.samples.count))
    for k in range(25):
        joint[k][:, :, rays.shot == k] = slopes[:, :, rays.shot == k]
    # Rows of the root of W: R with W = R'R.
    root = (
        np.linalg.cholesky(
            np.array([[metric[0], metric[1]], [metric[1], metric[2]]]).transpose(2, 0, 1)
        ).transpose(0, 2, 1)
        * np.sqrt(weight)[:, None, None]
    )

    def rows(vectors):
        return np.einsum("nij,...jn->...ni", root, vectors).reshape(*vectors.shape[:-2], -1)

    field, pose = rows(columns).T, rows(joint).reshape(150, -1).T
    target = rows(placed.samples.cosine.T)
    left = pose - field @ np.linalg.lstsq(field, pose, rcond=1e-13)[0]
    rest = target - field @ np.linalg.lstsq(field, target, rcond=1e-13)[0]
    slow = left.T @ left
    np.testing.assert_allclose(found.whole.matrix, slow, atol=1e-5 * np.abs(slow).max())
    np.testing.assert_allclose(found.whole.side, left.T @ rest, atol=1e-5 * np.abs(left.T @ rest).max())
    assert found.whole.square == pytest.approx(rest @ rest, rel=1e-6)


def information(rays, labels, metric, wave_degree):
    model = FieldColumns(12, 5)
    ones = np.ones(rays.samples.count)
    found = eliminate(
        rays, Poses.of_labels(25), metric, ones, model, np.zeros(model.columns.count), wave_degree
    )
    unit = np.tile([SIGMA_MM] * 3 + [SIGMA_RAD] * 3, 25)
    whole = found.whole.matrix + found.tail.T @ found.tail
    return [one * np.outer(unit, unit) for one in (found.whole.matrix, whole)], unit


def test_seven_common_motions_are_lost_and_no_other_with_depth():
    rays, labels, metric = scene(2.0, size=0.0, dots=13)
    (matrix, whole), unit = information(rays, labels, metric, 5)
    common = orthonormal(similarity_vectors(labels), unit)
    for vector in common:
        assert vector @ matrix @ vector < 1e-5 * (vector @ whole @ vector)
    values = np.linalg.eigvalsh(matrix)
    assert values[7] > 1e2 * values[6]


def test_in_one_plane_common_wavefronts_are_lost_as_well():
    """(m + 2)(m + 3) / 2 + 4 modes at pupil degree m = 4: 25, the seven among them."""
    rays, labels, metric = scene(0.0, size=0.0, dots=13)
    (matrix, whole), unit = information(rays, labels, metric, 5)
    lost = orthonormal(np.concatenate([similarity_vectors(labels), wavefront_vectors(labels, 5)]), unit)
    assert len(lost) == 25
    for vector in lost:
        assert vector @ matrix @ vector < 1e-4 * (vector @ whole @ vector)


def test_the_next_pupil_degree_is_as_small_as_odd_and_even_degrees_fall():
    """Sizes by degree 1e-2, 1e-4, 1e-3, 1e-3.5: the fifth is 1e-4 by the odd ones, never above the fourth."""
    order = np.array([0, 1, 2, 3, 4, 5, 5])
    noise = np.full(7, 1e-16)
    for fourth, size in ((10.0**-3.5, 1e-4), (1e-5, 1e-5)):
        coefficients = np.array([1.0, 1e-2, 1e-4, 1e-3, fourth, 0.0, 0.0])
        pull = next_degree_pull(coefficients, noise, order, 0.05)
        np.testing.assert_allclose(pull, [0.0] * 5 + [0.05**2 * 2 / size**2] * 2, rtol=1e-4)
    np.testing.assert_array_equal(next_degree_pull(coefficients[:1], noise[:1], order[:1], 0.05), 0.0)


def test_fewer_columns_are_those_of_a_model_without_the_others():
    """Sums of squares against the smaller model's own; the rest against its normal equations, solved."""
    rays, _, metric = scene(2.0)
    ones, large = np.ones(rays.samples.count), FieldColumns(7, 3)
    chain = [FieldColumns(5, 3, 3, 2), FieldColumns(6, 3, 3, 2)]
    whole, *smaller = (
        eliminate(rays, some_poses(), metric, ones, one, np.zeros(one.columns.count), 0)
        for one in (large, *chain)
    )
    places, lengths = large.nested(chain)
    assert lengths == [one.columns.count for one in chain]
    normal, tail, forward = whole.solver.equations.matrix, whole.joint, whole.solver.equations.side
    normal = normal + RIDGE * np.diag(np.diagonal(normal))
    found = whole.of_fewer(places, lengths)
    for length, own, one in zip(lengths, smaller, found, strict=True):
        kept = places[:length]
        solved = np.linalg.solve(normal[np.ix_(kept, kept)], tail[kept])
        slow = whole.columns_alone.matrix + whole.tail.T @ whole.tail - tail[kept].T @ solved
        np.testing.assert_allclose(one.matrix, slow, atol=1e-6 * np.abs(slow).max())
        slow = whole.columns_alone.side + whole.tail.T @ whole.solver.forward - solved.T @ forward[kept]
        np.testing.assert_allclose(one.side, slow, atol=1e-6 * np.abs(slow).max())
        # What is left after the factor's ridge, which refinement takes out of a model's own solution.
        assert one.square == pytest.approx(own.columns_alone.square, rel=1e-3)


def test_wavefronts_are_as_symmetric_as_the_columns():
    assert len(FieldColumns(11, 5).waves(5)) == 18
    # x y has degree 1 over the pupil, which counts two; odd in y above are x^2 y, y^3, x^3 y, x y^3, ..
    assert {b % 2 for _, b in FieldColumns(11, 5, odd_v_degree=1).waves(5)} == {0}
    assert [one for one in FieldColumns(11, 5, odd_v_degree=3).waves(5) if one[1] % 2] == [(1, 1)]


def test_turns_follow_one_another():
    poses = Poses(np.zeros((1, 3)), np.array([[0.0, 0.0, np.pi / 2]]))
    step = np.zeros((1, 6))
    step[0, 3] = np.pi / 2
    moved = poses.moved(step)
    rays, _, _ = scene(0.0, size=0.0)
    one = replace(rays, unit=np.array([[1.0, 0.0, 0.0]]), shot=np.array([0]))
    # About z first: x to y; then about x: y to z.
    np.testing.assert_allclose(turned_units(one.unit, one.shot, moved), [[0.0, 0.0, 1.0]], atol=1e-12)
