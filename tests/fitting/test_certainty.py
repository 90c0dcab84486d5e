"""How sure a fit says it is, against true errors; uneven noise; what was left out."""

import numpy as np
import pytest

from prewarp.field import Mount, compare_grid, fit_grid, prediction_sigma
from prewarp.fitting.certainty import map_nodes, map_pupils, sigma_between
from prewarp.fitting.leftover import FALLS, SIZES, expected_sizes, noise_variance
from prewarp.fitting.pupil import PupilFrame
from prewarp.fitting.samples import prepare_samples
from prewarp.points import lattice_points
from tests.certain_cases import CASES
from tests.drawn_optics import OPTICS
from tests.long.certainty import ratios, ratios_of_optics, rms
from tests.synthetic import make_grid, pupil_lattice, two_channels

SIZE = (640, 480)


@pytest.mark.outside
@pytest.mark.parametrize("name", CASES)
def test_true_error_over_sigma(name):
    """Two seeds of the twenty of `tests.long.certainty`, one of the slow mesh: wider limits for so few."""
    ratio, outer = ratios(name, range(1 if "mesh" in name else 2))
    assert 0.8 < rms(ratio) < 1.25
    assert np.mean(ratio < 2.0) > 0.9
    assert 0.7 < rms(ratio[outer]) < 1.35
    assert 0.75 < rms(ratio[~outer]) < 1.35


@pytest.mark.outside
@pytest.mark.parametrize(
    "name",
    [
        "camera, no noise",
        "eyepiece, 3 x 3 pupils",
        "eyepiece, outside 3 x 3 pupils",
        "coaxial demo, 3 x 3 pupils",
    ],
)
def test_what_data_hardly_show_is_stated(name):
    """Four of `tests.certain_cases.SELDOM_SHOWN`; they were 0.51 (0.25 at the rim), 0.71, 0.17, 0.32."""
    ratio, outer = ratios(name, range(1))
    assert 0.6 < rms(ratio) < 1.25
    assert 0.6 < rms(ratio[outer]) < 1.35
    assert np.mean(ratio < 2.0) > 0.9


@pytest.mark.outside
def test_what_no_position_shows_is_as_large_as_stated_over_many_optics():
    """Of 2 x 2 pupils one design alone has 0.2 to 1.9, all of them 0.9; it was 0.4, in each too large."""
    found = [ratios_of_optics("2 x 2 pupils", name)[0] for name in OPTICS]
    assert 0.75 < rms(np.array([rms(ratio) for ratio in found])) < 1.25
    assert np.mean([np.mean(ratio < 2.0) for ratio in found]) > 0.9


def test_noise_that_rises_is_found():
    """Sigma of 0.1 in the middle of the panel, 0.4 at its edges; twice that for the second colour."""
    random = np.random.default_rng(1)
    count = 6000
    pixel = random.uniform(0.0, SIZE, (count, 2))
    pupil = np.column_stack([random.uniform(-4.0, 4.0, (count, 2)), np.zeros(count)])
    colour = np.arange(count) % 2
    samples = prepare_samples(
        panel_size_px=SIZE,
        pixel=pixel,
        cosine=pixel * 1e-3,
        reference_mm=pupil[:, :2],
        pupil_mm=pupil,
        sigma_px=np.ones(count),
        colour=colour,
        colours=2,
    )
    sigma = (
        0.1 * np.exp(np.log(4.0) * (2.0 * samples.pixel[:, 0] / SIZE[0] - 1.0) ** 2) * (1 + samples.colour)
    )
    rest = random.normal(size=(2, count)) * sigma
    found = noise_variance(samples, rest, np.ones(count))
    assert np.mean(found) == pytest.approx(1.0)
    np.testing.assert_allclose(found, sigma**2 / np.mean(sigma**2), rtol=0.25)
    # No residual at all, as from exact data: even.
    np.testing.assert_array_equal(noise_variance(samples, 0.0 * rest, np.ones(count)), np.ones(count))


def expected_squares(*given):
    """Return the mean square of what is expected of left-out columns and of their spread about it."""
    mean, variance = expected_sizes(*given)
    assert np.all(variance >= 0.0)
    return mean**2 + variance


def test_expected_sizes_against_a_sum_over_theta():
    """Bayes' rule for one column by plain numerical integration over its true size."""
    seen, noise, gain = 1.7, 0.8, 0.6
    theta = np.linspace(-60.0, 60.0, 200_001)
    heard = np.exp(-0.5 * (seen - theta) ** 2 / noise)
    evidence, first, square = 0.0, 0.0, 0.0
    for size in SIZES:
        # The widest priors reach beyond the lattice of theta; what they say there was not heard.
        prior = np.exp(-0.5 * theta**2 / (size * gain)) / np.sqrt(size * gain)
        evidence += np.sum(prior * heard)
        first += np.sum(prior * heard * theta)
        square += np.sum(prior * heard * theta**2)
    given = np.array([seen]), np.array([noise]), np.array([gain]), np.array([0])
    assert expected_sizes(*given)[0][0] == pytest.approx(first / evidence, rel=1e-3)
    assert expected_squares(*given)[0] == pytest.approx(square / evidence, rel=1e-3)
    assert len(FALLS) > 1


def test_left_out_columns_that_show_nothing_count_little_and_large_ones_in_full():
    random = np.random.default_rng(2)
    noise, gain, level = np.ones(400), np.ones(400), np.repeat([0, 1], 200)
    quiet = expected_squares(random.normal(size=400), noise, gain, level)
    assert quiet.mean() < 0.1
    loud = random.normal(size=400) * 30.0
    found = expected_squares(loud + random.normal(size=400), noise, gain, level)
    assert found.mean() == pytest.approx(np.mean(loud**2), rel=0.05)


def test_a_smooth_map_is_read_between_its_nodes():
    """A map known in closed form: its values come back at its nodes, between them, and NaN outside it."""
    frame = PupilFrame((1.0, -0.5), (4.0, 3.0))
    pupils = map_pupils(frame, pupil_lattice(5))

    def true(pixel, reference):
        u, v = (pixel / SIZE * 2.0 - 1.0).T
        x, y = (reference / 6.0).T
        return 0.01 * np.exp(u**2 + 0.5 * v**3 + 0.3 * u * x + x**2 * y)

    nodes = lattice_points(*map_nodes(SIZE))
    maps = np.stack([true(nodes, np.broadcast_to(one, nodes.shape)) for one in pupils])
    maps = maps.reshape(len(pupils), len(map_nodes(SIZE)[1]), -1)
    random = np.random.default_rng(3)
    pixel = random.uniform(0.0, SIZE, (500, 2))
    reference = random.uniform([-5.0, -5.0], [7.0, 4.0], (500, 2))
    found = sigma_between(maps, pupils, SIZE, pixel, reference)
    np.testing.assert_allclose(found, true(pixel, reference), rtol=2e-3)
    at_nodes = sigma_between(maps, pupils, SIZE, nodes, np.broadcast_to(pupils[3], nodes.shape))
    np.testing.assert_allclose(at_nodes, maps[3].ravel(), rtol=1e-9)
    # Half a spacing of five positions is 1 mm; the map ends one spacing outside: 4 + 2 mm from the middle.
    far = sigma_between(maps, pupils, SIZE, pixel[:2], np.array([[6.9, 0.0], [7.1, 0.0]]))
    assert np.isfinite(far[0]) and np.isnan(far[1])


@pytest.fixture(scope="module")
def fields():
    some = {"pupils": pupil_lattice(3, 3.0), "points": 11, "colours": ("G",), "noise_px": 0.1}
    display = two_channels(size_px=SIZE, focal_px=720.0)["inner"]
    return fit_grid(make_grid("panel", channels={"one": display}, **some), panel_size_px=SIZE)


def test_sigma_follows_the_ray_and_grows_outside_the_captured_pupils(fields):
    pixel, pupil = np.array([[200.0, 300.0]]), np.array([1.0, -2.0, 0.0])
    tangent = fields.field("one", "G").forward(pixel, pupil_mm=pupil)[0]
    along = pupil + 5.0 * np.array([*tangent, 1.0])
    at = [prediction_sigma(fields, "one", "G", pixel, pupil_mm=one) for one in (pupil, along)]
    np.testing.assert_allclose(*at, rtol=1e-6)
    places = [[0.0, 0.0, 0.0], [3.0, 3.0, 0.0], [5.0, 5.0, 0.0]]
    middle, corner, outside = prediction_sigma(fields, "one", "G", [320.0, 240.0], pupil_mm=places)
    assert middle < corner < outside
    assert np.isnan(prediction_sigma(fields, "one", "G", [320.0, 240.0], pupil_mm=[20.0, 0.0, 0.0]))


def test_a_channel_that_is_turned_is_as_sure_as_before(fields):
    mount = Mount((1.0, -2.0, 0.5))
    turned = fields.mounted({"one": mount}, provenance={})
    pixel, pupil = np.array([[100.0, 80.0], [500.0, 400.0]]), np.array([0.5, 1.0, 0.0])
    before = prediction_sigma(fields, "one", "G", pixel, pupil_mm=pupil)
    after = prediction_sigma(turned, "one", "G", pixel, pupil_mm=mount.matrix @ pupil)
    np.testing.assert_allclose(after, before, rtol=1e-9)


def test_compare_holds_what_it_knows(fields):
    display = two_channels(size_px=SIZE, focal_px=720.0)["inner"]
    pupils = np.array([[1.0, 1.0, 0.5], [0.0, 0.0, 30.0]])
    grid = make_grid("panel", channels={"one": display}, pupils=pupils, points=5, colours=("G",))
    comparison = compare_grid(fields, grid)
    near = grid.pupil_mm[:, 2] < 1.0
    expected = prediction_sigma(
        fields, "one", "G", comparison.predicted_px[near], pupil_mm=grid.pupil_mm[near]
    )
    # What no captured position shows comes on top; here it is small beside the rest.
    assert np.all(comparison.sigma_px[near] >= expected * (1.0 - 1e-12))
    np.testing.assert_allclose(comparison.sigma_px[near], expected, rtol=0.2)
    # From 30 mm behind, rays at the panel's edge cross z = 0 far outside the captured pupils.
    assert np.isnan(comparison.sigma_px[~near]).any() and np.isfinite(comparison.sigma_px[near]).all()
