"""Normal equations from moments against the plain design matrix, and the choice of model."""

import numpy as np
import pytest

from prewarp.chebyshev import values_2d
from prewarp.fitting import moments as sums
from prewarp.fitting.leastsquares import assemble, factor
from prewarp.fitting.models import PolynomialModel, columns_of, nested_order
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.samples import prepare_samples
from prewarp.fitting.selection import best_supported, simplest_within_error

SIZE = (640, 480)
HALF_MM = (3.0, 3.0)


def _samples(shared: bool, count: int = 400):
    random = np.random.default_rng(4)
    if shared:
        dots = random.uniform(0, 1, (20, 2)) * SIZE
        pixel = np.tile(dots, (20, 1))
        pupil = np.repeat(random.uniform(-3, 3, (20, 3)), 20, axis=0)
    else:
        pixel = random.uniform(0, 1, (count, 2)) * SIZE
        pupil = random.uniform(-3, 3, (count, 3))
    return prepare_samples(
        panel_size_px=SIZE,
        pixel=pixel,
        cosine=random.normal(0, 0.2, (count, 2)),
        reference_mm=pupil[:, :2] + 0.1 * random.normal(size=(count, 2)),
        pupil_mm=pupil,
        sigma_px=np.ones(count),
        colour=random.integers(0, 2, count),
        colours=2,
    )


def _design(samples, columns, pupil_degree):
    """Return the design matrix (2, n, columns), written out the slow way."""
    u, v = ((samples.pixel - np.array(SIZE) / 2) / samples.half_px).T
    panel = values_2d(u, v, 6)[columns.panel]
    table = pupil_columns(pupil_degree, samples.frame.half_mm)
    scalar = samples.frame.values(samples.reference_mm, pupil_degree)
    used = (columns.block[:, None] == 0) | (columns.block[:, None] == samples.colour[None])
    return np.stack([(panel * (part @ scalar)[columns.pupil] * used).T for part in (table.x, table.y)])


@pytest.mark.parametrize("shared", [True, False])
def test_normal_equations_equal_the_plain_ones(shared):
    samples = _samples(shared)
    assert samples.shares_dots == shared
    random = np.random.default_rng(5)
    root = random.normal(size=(2, 2, samples.count))
    weight = np.stack(
        [
            (root[:, 0] ** 2).sum(0),
            (root[:, 0] * root[:, 1]).sum(0),
            (root[:, 1] ** 2).sum(0),
        ]
    )
    model = PolynomialModel(4, 1, 2, 2, 1, 4, 4)
    moments = sums.accumulate(samples, weight, samples.cosine.T, degree=4, pupil_degree=2)
    columns = columns_of(model, 2, pupil_columns(2, HALF_MM))
    equations = assemble(moments.over_cells(slice(None)), columns)
    ax, ay = _design(samples, columns, 2)
    y = samples.cosine
    wx = weight[0, :, None] * ax + weight[1, :, None] * ay
    wy = weight[1, :, None] * ax + weight[2, :, None] * ay
    np.testing.assert_allclose(equations.matrix, ax.T @ wx + ay.T @ wy, rtol=1e-10, atol=1e-9)
    np.testing.assert_allclose(equations.side, wx.T @ y[:, 0] + wy.T @ y[:, 1], rtol=1e-10, atol=1e-9)
    coefficients = factor(equations).solve(columns.count)
    rest = y - np.stack([ax @ coefficients, ay @ coefficients], axis=-1)
    squared = (
        weight[0] * rest[:, 0] ** 2 + 2 * weight[1] * rest[:, 0] * rest[:, 1] + weight[2] * rest[:, 1] ** 2
    )
    assert equations.squared_residual(coefficients) == pytest.approx(squared.sum(), rel=1e-9)


def test_taking_samples_out_equals_never_having_them():
    samples = _samples(False)
    weight = np.ones((3, samples.count))
    weight[1] = 0.0
    few = samples.take(np.arange(0, samples.count, 3))
    rest = samples.take(np.setdiff1d(np.arange(samples.count), np.arange(0, samples.count, 3)))
    moments = sums.accumulate(samples, weight, samples.cosine.T, degree=3, pupil_degree=2)
    sums.add_samples(moments, few, -weight[:, : few.count], few.cosine.T)
    expected = sums.accumulate(rest, weight[:, : rest.count], rest.cosine.T, degree=3, pupil_degree=2)
    np.testing.assert_allclose(moments.square, expected.square, atol=1e-9)
    np.testing.assert_allclose(moments.linear, expected.linear, atol=1e-9)


def test_nested_models_are_prefixes():
    top = PolynomialModel(5, 1, 3, 3, 0, 5, 5)
    columns = columns_of(top, 2, pupil_columns(3, HALF_MM))
    chain = [top.with_degree(level) for level in range(1, 6)]
    order, lengths = nested_order(columns, chain, pupil_columns(3, HALF_MM))
    for model, length in zip(chain, lengths, strict=True):
        own = columns_of(model, 2, pupil_columns(3, HALF_MM))
        prefix = columns.take(order[:length])
        as_set = [set(zip(c.block, c.panel, c.pupil, strict=True)) for c in (own, prefix)]
        assert as_set[0] == as_set[1]


def test_simplest_model_within_one_standard_error():
    scores = np.array([[4.0, 5.0, 6.0], [1.0, 1.2, 1.1], [1.01, 1.15, 1.09]])
    assert simplest_within_error(scores, [1, 2, 3]) == 1
    assert (
        simplest_within_error(np.array([[4.0, 5.0, 6.0], [1.0, 1.2, 1.1], [0.5, 0.7, 0.6]]), [1, 2, 3]) == 2
    )


def test_sums_left_out_by_degree_are_not_missed():
    """Products of columns of one model never reach the panel degrees that `product_degrees` leaves out."""
    samples = _samples(False)
    weight = np.ones((3, samples.count))
    weight[1] = 0.1
    model = PolynomialModel(5, 2, 2, 3, 1, 5, 5)
    columns = columns_of(model, 2, pupil_columns(2, HALF_MM))
    bounds = tuple(2 * model.degree - model.pupil_cost * order for order in range(5))
    full, bounded = (
        assemble(
            sums.accumulate(
                samples, weight, samples.cosine.T, degree=5, pupil_degree=2, product_degrees=degrees
            ).over_cells(slice(None)),
            columns,
        )
        for degrees in (None, bounds)
    )
    np.testing.assert_allclose(bounded.matrix, full.matrix, rtol=1e-12, atol=1e-12)
    too_few = tuple(bound - 1 for bound in bounds)
    spoilt = sums.accumulate(
        samples, weight, samples.cosine.T, degree=5, pupil_degree=2, product_degrees=too_few
    )
    assert np.abs(assemble(spoilt.over_cells(slice(None)), columns).matrix - full.matrix).max() > 0.1


def test_one_factor_serves_every_leading_block():
    samples = _samples(False)
    weight = np.ones((3, samples.count))
    weight[1] = 0.0
    moments = sums.accumulate(samples, weight, samples.cosine.T, degree=4, pupil_degree=2)
    columns = columns_of(PolynomialModel(4, 1, 2, 2, 0, 4, 4), 2, pupil_columns(2, HALF_MM))
    equations = assemble(moments.over_cells(slice(None)), columns)
    solver = factor(equations)
    lengths = [1, 7, columns.count]
    together = solver.solve_each(lengths)
    for place, length in enumerate(lengths):
        alone = np.linalg.solve(equations.matrix[:length, :length], equations.side[:length])
        np.testing.assert_allclose(together[:length, place], alone, rtol=1e-6, atol=1e-9)
        assert not together[length:, place].any()
        np.testing.assert_allclose(solver.solve(length), alone, rtol=1e-6, atol=1e-9)
    inverse = solver.inverse()
    np.testing.assert_allclose(inverse @ equations.matrix, np.eye(columns.count), atol=1e-6)


def test_what_thousands_of_samples_say_is_taken_unless_the_folds_object():
    parameters, freedom = [100, 110, 130], np.full(3, 10_000.0)
    # The folds see no difference between the larger two; what the last step of 20 columns explains beyond
    # noise decides.
    scores = np.array([[4.0, 5.0, 6.0], [1.0, 1.2, 1.1], [1.01, 1.25, 1.05]])
    assert simplest_within_error(scores, parameters) == 1
    for explained, expected in ((50.0, 2), (45.0, 1), (20.0, 1), (0.0, 1)):
        rest = 10_000.0 + np.array([900.0, explained, 0.0])
        assert best_supported(scores, rest, freedom, parameters) == expected
    # Every fold finds the larger model worse: blocks know what single samples do not, that the model
    # extrapolates badly.
    rest = 10_000.0 + np.array([900.0, 200.0, 0.0])
    assert best_supported(scores, rest, freedom, parameters) == 2
    assert best_supported(scores + [[0.0], [0.0], [0.3]], rest, freedom, parameters) == 1
    # Below what anything resolves, simple is best.
    assert best_supported(1e-9 * scores, rest, freedom, parameters) == 0
