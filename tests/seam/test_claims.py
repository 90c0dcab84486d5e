"""Claims of an eye's channels: the lattice is the definition, smooth whatever outlines do, whole numbers."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from prewarp.errors import SeamError
from prewarp.frames import tangent_from_degrees
from prewarp.seam import build_seam, shown_weights
from prewarp.seam.blend import LEAST_CLAIM
from prewarp.seam.claims import CLAIM_SCALE, ClaimLattice, pitch_for
from prewarp.seam.comparison import weight_gradient_per_deg
from prewarp.seam.directions import direction_lattice, plane_deg_from_tangent
from tests.closed_form import PlaneChannel, plane_set

CENTRE = np.zeros(3)


def crossed():
    """Two panels turned against each other, whose outlines cross at right angles or nearly so."""
    return plane_set(
        PlaneChannel("left", centre=(-0.18, 0.02), half_width=0.32, turn_deg=8.0, division=0.05),
        PlaneChannel("right", centre=(0.18, -0.03), half_width=0.34, turn_deg=-11.0),
        colours=("G",),
    )


@pytest.mark.outside
def test_claims_are_the_splines_that_scipy_makes_of_the_codes():
    random = np.random.default_rng(5)
    lattice = ClaimLattice(
        random.integers(-9000, 18000, (3, 7, 9)).astype(np.int16), np.array([-4.0, 3.0]), 0.5
    )
    tangent = random.uniform([-0.09, 0.03], [0.0, 0.11], (400, 2))
    # scipy.interpolate.BSpline: uniform knots, cubic; knot 3 is the first node.
    place = (plane_deg_from_tangent(tangent) - lattice.origin_deg) / 0.5
    place = np.clip(place, 0.0, [6.0, 4.0])
    across = BSpline.design_matrix(place[:, 0], np.arange(-3.0, 10.0), 3).toarray()
    down = BSpline.design_matrix(place[:, 1], np.arange(-3.0, 8.0), 3).toarray()
    expected = np.einsum("nr,crk,nk->cn", down, lattice.codes * CLAIM_SCALE, across)
    assert (expected < 0.0).any() and (expected > 0.5).any()
    np.testing.assert_allclose(lattice.at(tangent), np.maximum(expected, 0.0), atol=1e-12)


def test_no_weight_turns_faster_than_one_a_degree_at_the_default_feather():
    seam = build_seam(crossed(), pupils_mm=CENTRE)
    _, tangent = direction_lattice([r.outline for r in seam.reaches], step_deg=0.1, margin_deg=0.5)
    lit = np.ones((2, *tangent.shape[:-1]), dtype=bool)
    slope = weight_gradient_per_deg(seam, tangent, lit=lit)
    assert 0.3 < slope.max() <= 1.0
    # By plain differences over the plane, at the steepest place.
    place = tangent[np.unravel_index(np.argmax(slope), slope.shape)]
    ring = place + 2e-4 * np.stack([np.cos(a := np.linspace(0, 6.2, 63)), np.sin(a)], axis=-1)
    ahead, here = (seam.weights_among(t, np.full((2, len(t)), np.inf))[0] for t in (ring, place[None]))
    angle = np.linalg.norm(plane_deg_from_tangent(ring) - plane_deg_from_tangent(place), axis=-1)
    assert (np.abs(ahead - here) / angle).max() == pytest.approx(slope.max(), rel=0.1)


def test_claims_add_up_to_one_and_so_nearly_do_shares_of_any_lit():
    seam = build_seam(crossed(), pupils_mm=CENTRE)
    tangent = np.random.default_rng(2).uniform([-0.5, -0.3], [0.5, 0.3], (20_000, 2))
    total = seam.claims.at(tangent).sum(axis=0)
    assert total.min() > 0.97 and total.max() < 1.03
    lit = np.random.default_rng(3).random((2, len(tangent))) < 0.7
    weights = seam.weights_among(tangent, np.where(lit, 1.0, -1.0))
    np.testing.assert_allclose(weights.sum(axis=0), lit.any(axis=0), atol=1e-14)
    assert np.all(weights[~lit] == 0.0)
    only = lit.sum(axis=0) == 1
    assert np.all(weights[:, only].max(axis=0) == 1.0)


def test_weights_are_claims_over_those_that_are_lit():
    claims = np.array([[0.6, 0.0], [0.4, 0.0], [0.1, 1.0]])
    depth = np.array([[1.0, 1.0], [1.0, 1.0], [-1.0, 0.0]])
    weights = shown_weights(claims, depth)
    np.testing.assert_allclose(weights[:, 0], [0.602 / 1.004, 0.402 / 1.004, 0.0], rtol=1e-14)
    np.testing.assert_allclose(weights[:, 1], [0.5, 0.5, 0.0], rtol=1e-14)
    assert LEAST_CLAIM == 0.002


@pytest.mark.parametrize(
    ("feather", "pitch"), [(11.0, 1.0), (4.0, 1.0), (3.0, 0.5), (1.0, 0.25), (0.1, 0.25)]
)
def test_narrow_feathers_take_a_finer_lattice(feather, pitch):
    assert pitch_for(feather) == pitch
    fields = plane_set(
        PlaneChannel("left", centre=(-0.2, 0.0), half_width=0.3),
        PlaneChannel("right", centre=(0.2, 0.0), half_width=0.3),
        colours=("G",),
    )
    seam = build_seam(fields, pupils_mm=CENTRE, feather_deg=feather)
    assert seam.claims.pitch_deg == pitch
    x = np.linspace(-9.0, 9.0, 1801)
    weight = seam.weights(np.stack([tangent_from_degrees(x), np.zeros(1801)], axis=-1))[0]
    assert weight[0] == 1.0 and weight[-1] == 0.0 and np.diff(weight).max() < 2e-3
    # Light is handed over at each end of the overlap, between them both give half.
    assert weight[900] == pytest.approx(0.5, abs=1e-3)


def test_one_lattice_holds_few_bytes():
    seam = build_seam(crossed(), pupils_mm=CENTRE)
    assert seam.claims.codes.dtype == np.int16 and seam.claims.codes.nbytes < 4500


def test_a_lattice_too_large_or_too_small_is_refused():
    for shape in ((2, 3, 9), (2, 9, 600), (9, 9)):
        with pytest.raises(SeamError, match="expected channels, and 4 to 512 rows and columns"):
            ClaimLattice(np.zeros(shape, dtype=np.int16), np.zeros(2), 1.0)
