"""The spline bases and their normal equations against scipy's B-splines and plain design matrices."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.samples import CELLS, prepare_samples
from prewarp.fitting.spline_sums import SplineColumns, curvature_penalty, sum_splines
from prewarp.fitting.splines import MeshPanel, SplinePanel

SIZE = (640, 480)


def _dense(band):
    full = np.diag(band[0])
    for below in range(1, len(band)):
        part = np.diag(band[below, : band.shape[1] - below], -below)
        full += part + part.T
    return full


def _scipy_values(panel, pixel):
    """Return the basis (count, n) from scipy's B-splines on the same equal knots."""
    tables = []
    for axis in (0, 1):
        cells = panel.cells[axis]
        knots = (np.arange(cells + 7) - 3.0) * panel.size_px[axis] / cells
        tables.append(np.asarray(BSpline.design_matrix(pixel[:, axis], knots, 3).todense()).T)
    return (tables[0][:, None] * tables[1][None]).reshape(panel.count, -1)


def test_splines_equal_those_of_scipy():
    panel = SplinePanel(SIZE, (5, 4))
    random = np.random.default_rng(1)
    pixel = random.uniform(0.0, 1.0, (50, 2)) * SIZE
    coefficients = random.normal(size=(panel.count, 3, 2))
    expected = np.einsum("in,ijc->cjn", _scipy_values(panel, pixel), coefficients)
    np.testing.assert_allclose(panel.sums(pixel, coefficients), expected, atol=1e-12)


@pytest.mark.parametrize(
    "panel",
    [SplinePanel(SIZE, (5, 4)), MeshPanel(ChebyshevPanel(SIZE, 3), SplinePanel(SIZE, (5, 4)))],
)
def test_slopes_and_lattices_agree_with_values(panel):
    random = np.random.default_rng(2)
    pixel = random.uniform(0.1, 0.9, (40, 2)) * SIZE
    coefficients = random.normal(size=(panel.count, 3, 2))
    value, by_u, by_v = panel.sums_and_slopes(pixel, coefficients)
    np.testing.assert_allclose(value, panel.sums(pixel, coefficients), atol=1e-12)
    for axis, slope in ((0, by_u), (1, by_v)):
        step = np.eye(2)[axis] * 1e-3
        difference = panel.sums(pixel + step, coefficients) - panel.sums(pixel - step, coefficients)
        np.testing.assert_allclose(slope, difference / 2e-3, atol=1e-8)
    u, v = np.linspace(0.0, SIZE[0], 7), np.linspace(0.0, SIZE[1], 5)
    in_u, in_v = panel.lattice_factors(u, v)
    lattice = np.einsum("ku,lv,kljc->vujc", in_u, in_v, panel.tensor(coefficients))
    points = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    np.testing.assert_allclose(
        lattice.reshape(-1, 3, 2), panel.sums(points, coefficients).transpose(2, 1, 0), atol=1e-12
    )


def test_equations_equal_the_plain_ones():
    random = np.random.default_rng(3)
    count = 300
    pixel, pupil = random.uniform(0.0, 1.0, (count, 2)) * SIZE, random.uniform(-3.0, 3.0, (count, 3))
    samples = prepare_samples(
        panel_size_px=SIZE,
        pixel=pixel,
        cosine=random.normal(0.0, 0.2, (count, 2)),
        reference_mm=pupil[:, :2],
        pupil_mm=pupil,
        sigma_px=np.ones(count),
        colour=np.zeros(count, dtype=int),
        colours=1,
    )
    weight = np.array([[2.0], [0.3], [1.5]]) * random.uniform(0.5, 1.0, count)
    target = random.normal(size=(2, count))
    columns = SplineColumns(SplinePanel(SIZE, (4, 3)), pupil_columns(1, samples.frame.half_mm))
    sums = sum_splines(columns, samples, weight, target)
    equations = sums.equations()
    table = pupil_columns(1, samples.frame.half_mm)
    scalar = samples.frame.values(samples.reference_mm, 1)
    panel = _scipy_values(columns.panel, samples.pixel)
    ax, ay = (
        (panel[:, None] * (part[columns.chosen] @ scalar)[None]).reshape(columns.count, -1).T
        for part in (table.x, table.y)
    )
    wx, wy = (weight[0] * ax.T + weight[1] * ay.T).T, (weight[1] * ax.T + weight[2] * ay.T).T
    np.testing.assert_allclose(_dense(equations.band), ax.T @ wx + ay.T @ wy, atol=1e-9)
    np.testing.assert_allclose(equations.side, wx.T @ target[0] + wy.T @ target[1], atol=1e-9)
    solution = random.normal(size=columns.count)
    rest = target - np.stack([ax @ solution, ay @ solution])
    expected = np.sum(weight[0] * rest[0] ** 2 + 2 * weight[1] * rest[0] * rest[1] + weight[2] * rest[1] ** 2)
    assert equations.squared_residual(solution) == pytest.approx(expected, rel=1e-10)
    # Cross-validation cells add up to everything.
    parts = [sums.equations([cell]) for cell in range(CELLS)]
    np.testing.assert_allclose(sum(part.band for part in parts), equations.band, atol=1e-9)


def test_penalty_is_the_integral_of_squared_curvature():
    """u^2 / 2 + u v (in longer sides) over a 4 : 3 panel: integral of 1 + 2 over 1 x 3/4 = 2.25; plane: 0."""
    panel = SplinePanel(SIZE, (5, 4))
    columns = SplineColumns(panel, pupil_columns(0, (1.0, 1.0)))
    u, v = np.meshgrid(*(np.linspace(5.0, side - 5.0, 20) for side in SIZE), indexing="ij")
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    basis = _scipy_values(panel, pixel)
    x, y = pixel.T / SIZE[0]
    full = _dense(curvature_penalty(columns))
    for values, expected in ((x**2 / 2 + x * y, 2.25), (1.0 + 2.0 * x - y, 0.0)):
        spline = np.linalg.lstsq(basis.T, values, rcond=None)[0]
        solution = np.zeros((panel.count, columns.per_spline))
        solution[:, 0] = spline
        assert solution.ravel() @ full @ solution.ravel() == pytest.approx(expected, abs=1e-6)
