"""Time of the lines in the tracker's latency: exact identities with latencies without it."""

import numpy as np
import pytest

from prewarp.budget import EyeMotion, Limit, Tracker, simulate, tracker_budget
from prewarp.budget.eye import eye_path
from prewarp.budget.frontier import Bench, frontier, term_costs
from prewarp.errors import ShapeError
from tests.budget.scenes import ARCMIN_PER_MM, linear_scene

TANGENT = np.array([[0.0, -0.1], [0.0, 0.0], [0.02, 0.1]])
LATE = Tracker(accuracy_mm=0.0, noise_mm=0.0, latency_ms=10.0, rate_hz=1e5)


def scene(lit_ms=None, tangent=TANGENT):
    return linear_scene(tangent, motion=EyeMotion(), lit_ms=lit_ms)


def test_lines_lit_together_are_a_longer_latency_exactly():
    with_lines = simulate(scene(np.full(3, 8.0)), LATE, samples=30_000)
    longer = simulate(scene(), LATE.but(latency_ms=18.0), samples=30_000)
    np.testing.assert_allclose(with_lines.error_arcmin, longer.error_arcmin, rtol=1e-9, atol=1e-12)
    at_once = simulate(scene(np.zeros(3)), LATE, samples=30_000)
    assert np.array_equal(at_once.error_arcmin, simulate(scene(), LATE, samples=30_000).error_arcmin)


def test_every_direction_adds_its_own_time():
    together = simulate(scene(np.array([0.0, 8.0, 20.0])), LATE, samples=60_000)
    for place, late_ms in enumerate((10.0, 18.0, 30.0)):
        alone = simulate(scene(), LATE.but(latency_ms=late_ms), samples=60_000)
        # The same moments of the same direction.
        assert together.by_direction_arcmin[place] == pytest.approx(
            alone.by_direction_arcmin[place], rel=1e-9
        )


def test_the_way_of_the_pupil_meanwhile():
    """Against a direct walk along such a path: e(t) - e(t - 20 ms - 12 ms), every ms."""
    motion = EyeMotion(slip_sd_mm=(0.0, 0.0, 0.0))
    path = eye_path(motion, np.random.default_rng(78), count=4000)
    time = np.arange(1.0, path.length_s, 1e-3)
    walked = (path.pupil_mm(time) - path.pupil_mm(time - 0.032))[:2]
    expected = np.sqrt(np.mean(np.sum(walked**2, axis=0))) * ARCMIN_PER_MM
    ahead = linear_scene(motion=motion, lit_ms=np.array([12.0]))
    found = simulate(ahead, LATE.but(latency_ms=20.0), samples=200_000)
    assert found.rms_arcmin == pytest.approx(expected, rel=0.05)


def test_the_frontier_moves_by_the_time_of_the_lines():
    # Tight enough that latency decides within the latencies tried.
    limit = Limit(seam_arcmin=0.4)
    tracker = LATE.but(accuracy_mm=0.05)
    plain = frontier(Bench(scene(), limit, seed=0), tracker)
    lines = frontier(Bench(scene(np.full(3, 8.0)), limit, seed=0), tracker)
    assert plain.longest_latency_ms - lines.longest_latency_ms == pytest.approx(8.0, abs=0.2)


def test_the_time_of_the_lines_is_a_term_where_it_is_known():
    limit = Limit()
    plain = {one["term"] for one in term_costs(Bench(scene(), limit, seed=0), LATE)}
    costs = {one["term"]: one for one in term_costs(Bench(scene(np.full(3, 10.0)), limit, seed=0), LATE)}
    assert set(costs) - plain == {"time of the line"}
    line, latency = costs["time of the line"], costs["latency"]
    # Ten ms of either alone are the same.
    assert line["alone_arcmin"] == pytest.approx(latency["alone_arcmin"], rel=1e-9)
    assert line["without_it_arcmin"] == pytest.approx(latency["without_it_arcmin"], rel=1e-9)
    assert costs["accuracy"]["alone_arcmin"] == pytest.approx(0.0, abs=1e-6)


def test_a_budget_says_what_its_latencies_count_to():
    asked = {"limit": Limit(seam_arcmin=0.4), "samples": 2000, "latencies_ms": (0.0, 20.0)}
    known = tracker_budget(scene(np.array([1.0, 2.0, 9.0])), **asked)
    assert known.as_dict()["line_lit_after_frame_start_ms"] == {"least": 1.0, "median": 2.0, "largest": 9.0}
    assert "lines of the seam add 1 to 9 ms" in known.sentence()
    plain = tracker_budget(scene(), **asked)
    assert plain.as_dict()["latency_counts_to"] == "light"
    assert "frame's start" not in plain.sentence()


@pytest.mark.parametrize("times", [[1.0], [1.0, 2.0, np.nan], [0.0, 0.0, 501.0], [[1.0, 2.0, 3.0]]])
def test_times_that_cannot_be_are_refused(times):
    with pytest.raises(ShapeError, match="expected 3 times within 500 ms"):
        scene(np.array(times))
