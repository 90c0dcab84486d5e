"""Focus, sensitivity and budget pictures: right size, same bytes twice, and each figure where it belongs."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from prewarp.budget import EyeMotion, Tracker, tracker_budget
from prewarp.errors import ShapeError
from prewarp.focus import focus_at, focus_step
from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.report.budget import BudgetItem, budget_picture
from prewarp.report.focus import FocusItem, focus_figure, focus_picture
from prewarp.report.sensitivity import SensitivityItem, sensitivity_figure, sensitivity_picture
from prewarp.seam import build_seam, overlaps, sensitivity_map
from tests.budget.scenes import linear_scene
from tests.closed_form import EYE_BOX_CORNERS
from tests.report.drawn import line, mesh_points, meshes
from tests.sampled_fields import sampled_set
from tests.synthetic import two_channels


@pytest.fixture(scope="module")
def displays():
    fields = sampled_set(two_channels(size_px=(640, 480), focal_px=720.0))
    return fields, overlaps(build_seam(fields, pupils_mm=EYE_BOX_CORNERS), step_deg=2.0)


def opened(data):
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture.convert("RGB")).astype(int)


def test_focus_picture(displays):
    """Two maps side by side above, the step against height below, the red line at the foot."""
    fields, pairs = displays
    item = FocusItem("one", fields, ("inner", "outer"), pairs)
    drawn = opened(focus_picture([item, item], title="focus"))
    assert drawn.shape == (880, 1640, 3)
    # The sentence that no warp mends it is printed in red at the foot.
    foot = drawn[-40:]
    assert np.sum((foot[..., 0] > 180) & (foot[..., 2] < 60)) > 200


def test_focus_lies_where_it_is_seen_and_the_step_has_its_sign():
    """The outer image is at 3 m, the inner one at 1.5: outer less inner is a third of a dioptre down."""
    channels = two_channels(size_px=(640, 480), focal_px=720.0)
    fields = sampled_set({**channels, "outer": replace(channels["outer"], distance_m=3.0)})
    pairs = overlaps(build_seam(fields, pupils_mm=EYE_BOX_CORNERS), step_deg=2.0)
    above, below, *_ = focus_figure([FocusItem("one", fields, ("inner", "outer"), pairs)], title="focus").axes
    for mesh, text, name in zip(meshes(above), above.texts, ("inner", "outer"), strict=True):
        places, values = mesh_points(mesh)
        inner = slice(100, -100, 37)
        expected = focus_at(
            fields.field(name, "G"), tangent_from_degrees(places[inner]), pupil_mm=np.zeros(3)
        )
        # A place read back from the drawing may lie an ulp beyond the border.
        known = np.isfinite(expected.dioptres)
        assert known.mean() > 0.95
        np.testing.assert_allclose(values[inner][known], expected.dioptres[known], atol=1e-6)
        assert text.get_text() == f"{name}\n{values.mean():.2f} dioptres"
        np.testing.assert_allclose(text.get_position(), places.mean(axis=0))
    step = focus_step(fields, ("inner", "outer"), pairs[0].tangent)
    heights, mean = line(below, "outer less inner").T
    every = degrees_from_tangent(pairs[0].tangent[:, 1])
    for height, value in zip(heights, mean, strict=True):
        assert value == pytest.approx(step.step_dioptres[np.abs(every - height) < 1e-5].mean(), abs=1e-9)
    assert np.all(mean < -0.25)
    for axes in (above, below):
        assert axes.get_xlim()[0] < axes.get_xlim()[1] and axes.get_ylim()[0] < axes.get_ylim()[1]


def test_sensitivity_picture(displays):
    """Left the fixed correction's worst case, right what each mm of tracker error costs."""
    fields, (pair,) = displays
    found = sensitivity_map(
        *(fields.field(name, "G") for name in pair.channels), pair.tangent, pupils_mm=EYE_BOX_CORNERS
    )
    item = SensitivityItem("one", pair, found)
    data = sensitivity_picture([item], title="sensitivity")
    assert data == sensitivity_picture([item], title="sensitivity")
    assert opened(data).shape == (720, 860, 3)
    fixed, _, tracked, _ = sensitivity_figure([item], title="sensitivity").axes
    for axes, expected in ((fixed, found.fixed_worst_arcmin), (tracked, found.tracked_worst_arcmin_per_mm)):
        places, values = mesh_points(meshes(axes)[0])
        np.testing.assert_allclose(places, degrees_from_tangent(pair.tangent), atol=1e-9)
        np.testing.assert_array_equal(values, expected)
        assert axes.get_title() == f"one\nmedian {np.median(expected):.2g}, largest {expected.max():.2g}"
        assert axes.get_ylim()[0] < axes.get_ylim()[1]


def test_budget_picture_shows_what_holds_and_what_does_not():
    """Filled under the line where trackers do; no filling where none will do."""

    def item(**scene):
        made = linear_scene(motion=EyeMotion(), **scene)
        budget = tracker_budget(made, tracker=Tracker(), samples=1000, latencies_ms=(0.0, 5.0))
        return BudgetItem("one", budget)

    holds, none = (budget_picture([one], title="budget") for one in (item(), item(residual_sigma_arcmin=0.6)))
    # Blue at a fifth of its strength on white.
    tint = [np.abs(opened(data) - [199, 224, 239]).max(axis=-1) < 8 for data in (holds, none)]
    assert tint[0].sum() > 5000 and tint[1].sum() < 500
    assert opened(holds).shape == (720, 1500, 3)


def test_budget_lines_are_the_frontier_and_the_moments():
    budget = tracker_budget(linear_scene(motion=EyeMotion()), samples=2000, latencies_ms=(0.0, 10.0, 80.0))
    drawn = budget.plot(title="T")
    assert drawn.get_suptitle() == "T" and budget.sentence()[:60] in drawn.get_supxlabel().replace("\n", " ")
    left, right = drawn.axes
    latency, accuracy = line(left, "this seam").T
    last = budget.frontier.longest_latency_ms
    assert np.all(np.diff(latency) > 0.0) and (latency[-1], accuracy[-1]) == (last, 0.0)
    np.testing.assert_allclose(accuracy[:-1], [budget.frontier.allowed_mm(one) for one in latency[:-1]])
    tracker = budget.tracker
    assert line(left, "the given tracker").tolist() == [[tracker.latency_ms, tracker.accuracy_mm]]
    for label, simulation in (("with that tracker", budget.tracked), ("fixed correction", budget.fixed)):
        error, share = line(right, f"this seam, {label}").T
        assert error[share == 50.0] == pytest.approx(simulation.percentile_arcmin(50.0))
        assert error[share == 95.0] == pytest.approx(simulation.percentile_arcmin(95.0))
    assert line(right, "limit").tolist() == [[1.0, 95.0]]


def test_nothing_to_draw_is_an_error():
    for draw in (budget_picture, focus_picture, sensitivity_picture):
        with pytest.raises(ShapeError, match="items is empty; expected one or more"):
            draw([], title="T")
