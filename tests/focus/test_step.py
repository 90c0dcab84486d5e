"""The focus step across the seam, and how sure it is."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.chebyshev import derivatives_1d, products, values_1d
from prewarp.field import ChannelReport, FieldSet
from prewarp.field.field import Field
from prewarp.fitting.certainty import map_nodes
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import PupilFrame, pupil_columns
from prewarp.focus import NO_WARP, focus_sigma, focus_step
from prewarp.published import DEPTH_OF_FOCUS
from tests.sampled_fields import sampled_set
from tests.synthetic import two_channels

SIZE = (640, 480)


@pytest.mark.outside
def test_step_of_two_planes_is_their_dioptres():
    channels = two_channels(size_px=SIZE, focal_px=720.0, yaw_deg=0.0)
    channels = {name: replace(display, yaw_deg=0.0) for name, display in channels.items()}
    channels["outer"] = replace(channels["outer"], distance_m=3.0)
    tangent = np.array([[0.0, 0.0], [0.1, 0.05], [0.9, 0.0]])
    found = focus_step(sampled_set(channels), ("inner", "outer"), tangent)
    # Common practice: the step of two images is the difference of their inverse distances. Planes 1.5 and 3 m
    # ahead; along the ray both distances grow by the length of (tx, ty, 1).
    expected = (1.0 / 3.0 - 1.0 / 1.5) / np.sqrt(1.0 + np.sum(tangent[:2] ** 2, axis=1))
    np.testing.assert_allclose(found.step_dioptres[:2], expected, atol=1e-6)
    assert np.isnan(found.step_dioptres[2])
    figures = found.as_dict()
    assert figures["focus_step_max_dioptres"] == pytest.approx(1.0 / 3.0, abs=1e-6)
    assert figures["directions"] == 2 and figures["warp_mends_it"] is False
    # No fit, no certainty map.
    assert figures["focus_step_sigma_dioptres"] is None


def test_outputs_say_that_no_warp_mends_it_and_name_their_sources():
    assert "A warp" in NO_WARP and "does not move the plane" in NO_WARP
    lines = [one.text() for one in DEPTH_OF_FOCUS]
    assert any("0.3 dioptres" in line and "Campbell" in line for line in lines)
    assert all(set(one.as_dict()) >= {"low_dioptres", "high_dioptres", "source"} for one in DEPTH_OF_FOCUS)


def least_squares_certainty(degree, pupil_degree, sigma_q, *, total):
    """Exact covariance of a plain least-squares fit on a lattice: Field, report, true sigma of the focus.

    `total`: panel functions fall with the pupil order, as in a total-degree model; else every column has all
    of them. Written with dense matrices; shares nothing with the code under test but the two bases.
    """
    half = (4.0, 3.0)
    panel, frame = ChebyshevPanel(SIZE, degree), PupilFrame((0.0, 0.0), half)
    columns = pupil_columns(pupil_degree, half)
    kept = np.flatnonzero(~columns.is_curl)
    u, v = np.meshgrid(np.linspace(10, 630, 11), np.linspace(10, 470, 11))
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    x, y = np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
    pupils = np.stack([x.ravel(), y.ravel()], axis=-1) * half
    count = [(d + 1) * (d + 2) // 2 for d in range(-1, degree + 1)]
    pairs = [(i, k) for k in kept for i in range(count[degree + 1 - (columns.order[k] if total else 0)])]
    first, second = np.array(pairs).T

    def rows(base, table, at):
        vectors = np.stack([columns.x @ table, columns.y @ table])[:, second, at]
        return base[first, :].T[None] * vectors[:, None, :]

    base = panel.values(pixel)
    table = frame.values(pupils, pupil_degree)
    design = np.concatenate([rows(base, table, p).reshape(-1, len(pairs)) for p in range(len(pupils))])
    covariance = sigma_q**2 * np.linalg.inv(design.T @ design)
    coefficients = np.zeros((panel.count, table.shape[0], 2))
    for i, k in pairs:
        coefficients[i, :, 0] += columns.x[k] * 1e-12
        coefficients[i, :, 1] += columns.y[k] * 1e-12
    # A plain scale of 1 / 1000 per px, so px and q differ by a factor alone; v runs down.
    coefficients[1, 0, 0] += SIZE[0] / 2000.0
    coefficients[2, 0, 1] += -SIZE[1] / 2000.0
    field = Field(
        "one",
        "G",
        SIZE,
        Expansion(panel, frame, pupil_degree, coefficients),
        np.zeros((0, 2)),
        np.zeros((0, 2)),
    )
    places = np.array([[0.0, 0.0], [-4, -3], [-4, 3], [4, -3], [4, 3]], dtype=float)
    along_u, along_v = map_nodes(SIZE)
    nodes_v, nodes_u = np.meshgrid(along_v, along_u, indexing="ij")
    nodes = np.stack([nodes_u.ravel(), nodes_v.ravel()], axis=-1)
    at_nodes, at_places = panel.values(nodes), frame.values(places, pupil_degree)
    maps = []
    for p in range(5):
        part = rows(at_nodes, at_places, p)
        variance = np.einsum("cni,ij,cnj->n", part, covariance, part)
        maps.append(1000.0 * np.sqrt(variance).reshape(nodes_u.shape))
    report = ChannelReport(
        "one", ("G",), "", len(pairs), len(design), 0, (0.0,), (0.0,), 0.0, 0.0, (), np.array([maps]), places
    )
    zero = np.zeros(1)
    flat, slope = values_1d(zero, pupil_degree), derivatives_1d(zero, pupil_degree)
    divergence = 0.5 * (
        columns.x @ products(slope, flat, pupil_degree)[:, 0] / half[0]
        + columns.y @ products(flat, slope, pupil_degree)[:, 0] / half[1]
    )
    test = np.random.default_rng(0).uniform([80, 60], [560, 420], (50, 2))
    part = panel.values(test)[first].T * divergence[second]
    exact = 1000.0 * np.sqrt(np.einsum("ni,ij,nj->n", part, covariance, part))
    return FieldSet({("one", "G"): field}, np.zeros((2, 3)), (report,), {}), test, exact


@pytest.mark.parametrize(("total", "within"), [(False, 0.1), (True, 0.35)])
def test_certainty_against_the_covariance_of_a_plain_fit(total, within):
    """Every column with every panel function: within the map's interpolation. Total degree: an estimate."""
    fields, pixel, exact = least_squares_certainty(5, 2, 1e-4, total=total)
    found = focus_sigma(fields, "one", "G", pixel)
    np.testing.assert_allclose(found, exact, rtol=within)
    assert 0.001 < np.median(exact) < 0.1


def test_no_pupil_slope_no_certainty():
    fields, pixel, _ = least_squares_certainty(3, 1, 1e-4, total=False)
    flat = replace(fields.field("one", "G").expansion, pupil_degree=0, coefficients=np.ones((10, 1, 2)))
    known = replace(fields, fields={("one", "G"): replace(fields.field("one", "G"), expansion=flat)})
    assert np.isnan(focus_sigma(known, "one", "G", pixel)).all()
