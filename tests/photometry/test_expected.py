"""The step that is stated, with the maps' own error in it, against the step that is there."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom

from prewarp.photometry import SeamProfile, fit_luminance, with_map_error
from prewarp.photometry.profile import line_tangents
from tests.long.light_step import display, drifting, one_step
from tests.photometry.conftest import SIZES
from tests.photometry.test_fit import places
from tests.photometry.truth import TrueMaps, measured_grid


@pytest.fixture(scope="module")
def shown():
    return display()


@pytest.mark.parametrize(
    ("draws", "capture"), [(5, {}), (2, {"points": (33, 17), "change": drifting})]
)  # fmt: skip
def test_true_steps_stay_under_the_bound(shown, draws, capture):
    """A tenth of `tests.long.light_step`, at pupils never measured, the light in closed form."""
    steps = [one_step(*shown, seed, **capture) for seed in range(500, 500 + draws)]
    held = sum(one.truth <= one.bound for one in steps)
    assert binom.cdf(held, draws, 0.95) > 0.05
    # What the map says of itself is far too small, what is expected is about right.
    assert np.median([one.truth / one.by_map for one in steps]) > 2.0
    assert 0.4 < np.median([one.expected / one.truth for one in steps]) < 3.0
    assert all(one.by_map < one.expected < one.bound < 6.0 * one.expected for one in steps)


def test_errors_of_a_map_are_as_large_as_stated(maps):
    """At pupils never measured: errors over their stated spread have an RMS of 1, in all maps together."""
    ratios = []
    for channel in ("left", "right"):
        pixel, tangent, pupil = (part[:600] for part in places()[channel])
        own = maps.map(channel, "G")
        drawn = own.log_errors(pixel, tangent, pupil_mm=pupil, draws=200, random=np.random.default_rng(1))
        truth = TrueMaps().map(channel, "G").at(pixel, tangent, pupil_mm=pupil)
        error = np.log(truth / own.at(pixel, tangent, pupil_mm=pupil))
        ratios.append((error - drawn.mean(axis=0)) / drawn.std(axis=0))
        # Noise is 0.3 % of full light, and the brightest sample gives some 0.97 or 0.72 of it.
        assert own.certainty.noise_percent == pytest.approx(
            0.3 / {"left": 0.97, "right": 0.72}[channel], rel=0.1
        )
        assert own.certainty.gain_percent < 0.1 and 1.0 <= own.certainty.widened < 1.3
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.25)
    assert np.mean(np.abs(ratios) < 2.0) > 0.88


def test_a_drifting_lamp_is_told_from_noise():
    grid = drifting(measured_grid(colours=("G",)), np.random.default_rng(3))
    found = fit_luminance(grid, panel_sizes_px=SIZES).map("left", "G").certainty
    assert found.gain_percent == pytest.approx(0.5, rel=0.4)
    assert found.noise_percent == pytest.approx(0.31, rel=0.1)


def test_pupils_on_a_line_say_nothing_beside_it():
    grid = measured_grid(colours=("G",))
    grid = grid.take(np.flatnonzero(np.abs(grid.pupil_mm[:, 1]) < 0.1))
    own = fit_luminance(grid, panel_sizes_px=SIZES).map("left", "G")
    pixel, tangent, pupil = (part[:5] for part in places()["left"])
    errors = own.log_errors(pixel, tangent, pupil_mm=pupil, draws=3, random=np.random.default_rng(0))
    assert not own.certainty.spans and errors.shape == (3, 5) and np.isnan(errors).all()


class KnownError:
    """A map of light 1 that is off by a known share."""

    def __init__(self, share):
        self.share = share

    def log_errors(self, pixel, tangent, /, *, pupil_mm, draws, random):
        return np.full((draws, len(pixel)), np.log1p(self.share))


def test_a_known_error_of_one_map_is_the_step(shown):
    """One channel 1 per cent brighter than its map: the step is 1 over the mean of 1 and 1.01."""
    fields, seam = shown
    along = np.arange(-300, 301) * 0.05
    even = np.ones((2, len(along)))
    profile = SeamProfile(
        ("left", "right"), along, np.array([-3.0, 3.0]), even, even, np.array([[-5.0, 5.0]] * 2)
    )
    # Beyond the hand-over one channel gives all of the light.
    shares = seam.weights(line_tangents(seam, profile))
    assert np.all(shares[0][:, along < -5.0] > 0.999) and np.all(shares[1][:, along > 5.0] > 0.999)
    errors = {"left": 0.0, "right": 0.01}
    maps = SimpleNamespace(map=lambda channel, colour: KnownError(errors[channel]))
    told = with_map_error(
        {"G": profile}, {"G": {name: {"G": 1.0} for name in errors}}, fields,
        SimpleNamespace(maps=maps), seam, pupil_mm=np.zeros(3),
    )["G"].as_dict()  # fmt: skip
    assert told["step_percent"] == pytest.approx(100.0 * 0.01 / 1.005, rel=1e-9)
    assert told["step_bound95_percent"] == pytest.approx(100.0 * 0.01 / 1.005, rel=1e-9)
    assert told["step_by_map_percent"] == 0.0
