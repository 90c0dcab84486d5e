"""What pictures say: axes, labels and lines, read from the figure before it becomes a PNG."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.budget import EyeMotion, Tracker, tracker_budget
from prewarp.field import fit_grid
from prewarp.report.budget import BudgetItem, budget_picture
from prewarp.report.focus import FocusItem, focus_picture
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_picture
from prewarp.report.policies import PolicyView, policies_picture
from prewarp.report.residuals import residual_picture
from prewarp.seam import build_seam, overlaps
from tests.budget.scenes import linear_scene
from tests.closed_form import EYE_BOX_CORNERS
from tests.report.test_light_pictures import FIGURES, profile
from tests.sampled_fields import sampled_set
from tests.synthetic import make_grid, pupil_lattice, two_channels


@pytest.fixture
def figure_of(monkeypatch):
    """Return what runs a picture function and returns the figure that it drew."""

    def drawn_by(picture, *arguments, **options):
        kept = []
        monkeypatch.setattr(f"{picture.__module__}.figure_bytes", lambda figure: kept.append(figure) or b"")
        picture(*arguments, **options)
        return kept[0]

    return drawn_by


def test_residuals_stand_on_the_panel_with_v_down(figure_of):
    channels = {"inner": two_channels(size_px=(640, 480), focal_px=720.0)["inner"]}
    grid = make_grid(noise_px=0.02, points=9, pupils=pupil_lattice(3), channels=channels, colours=("G",))
    axes = figure_of(residual_picture, fit_grid(grid, panel_size_px=(640, 480)), grid).axes[0]
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    assert left < 0 < 640 < right and top < 0 < 480 < bottom


def test_the_focus_step_is_the_second_channel_less_the_first(figure_of):
    """The outer image is nearer, 1.5 m against 3 m: outer less inner is a third of a dioptre."""
    channels = two_channels(size_px=(640, 480), focal_px=720.0)
    channels["inner"] = replace(channels["inner"], distance_m=3.0)
    fields = sampled_set(channels)
    pairs = overlaps(build_seam(fields, pupils_mm=EYE_BOX_CORNERS), step_deg=2.0)
    drawn = figure_of(focus_picture, [FocusItem("one", fields, ("inner", "outer"), pairs)], title="t")
    lines = {line.get_label(): line for axes in drawn.axes for line in axes.lines}
    (label,) = (name for name in lines if "less" in name)
    assert label.startswith("outer less inner")
    assert np.mean(lines[label].get_ydata()) == pytest.approx(1.0 / 3.0, abs=0.05)


def test_before_the_match_is_what_came_before(figure_of):
    pair = ProfilePair("right eye", profile(-0.2), profile(0.001))
    seen = figure_of(luminance_profile_picture, [pair]).axes[0]
    before, after = (
        next(line for line in seen.lines if line.get_label().startswith(word))
        for word in ("before", "after:")
    )
    assert np.nanmin(before.get_ydata()) < 0.85 * np.nanmax(before.get_ydata())
    assert np.nanmin(after.get_ydata()) > 0.99 * np.nanmax(after.get_ydata())


def test_pupils_are_named_by_their_x(figure_of, seam):
    pupils = np.array([[-4.0, 1.0, 0.0], [4.0, 2.0, 0.0]])
    drawn = figure_of(policies_picture, [PolicyView(FIGURES, pupils, (seam, seam))])
    texts = [text.get_text() for legend in drawn.legends for text in legend.get_texts()]
    assert texts == ["pupil at x = -4 mm", "pupil at x = 4 mm"]


def test_the_frontier_has_latency_across_and_accuracy_up(figure_of):
    scene = linear_scene(motion=EyeMotion())
    budget = tracker_budget(scene, tracker=Tracker(), samples=1000, latencies_ms=(0.0, 5.0))
    left = figure_of(budget_picture, [BudgetItem("one", budget)], title="t").axes[0]
    assert left.get_xlabel().startswith("latency") and left.get_ylabel().startswith("accuracy")
    line = next(line for line in left.lines if line.get_label().startswith("one"))
    good = np.isfinite(budget.frontier.accuracy_mm)
    np.testing.assert_array_equal(line.get_xdata()[: good.sum()], budget.frontier.latency_ms[good])
    np.testing.assert_array_equal(line.get_ydata()[: good.sum()], budget.frontier.accuracy_mm[good])
