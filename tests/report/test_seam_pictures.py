"""Focus, sensitivity and budget pictures: right size, same bytes twice, and they change with what they show."""

import io

import numpy as np
import pytest
from PIL import Image

from prewarp.budget import EyeMotion, Tracker, tracker_budget
from prewarp.report.budget import BudgetItem, budget_picture
from prewarp.report.focus import FocusItem, focus_picture
from prewarp.report.sensitivity import SensitivityItem, sensitivity_picture
from prewarp.seam import build_seam, overlaps, sensitivity_map
from tests.budget.scenes import linear_scene
from tests.closed_form import EYE_BOX_CORNERS
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
    """Two maps side by side above, the step against height with published limits below, the red line at the foot."""
    fields, pairs = displays
    item = FocusItem("one", fields, ("inner", "outer"), pairs)
    drawn = opened(focus_picture([item, item], title="focus"))
    assert drawn.shape == (880, 1640, 3)
    # The sentence that no warp mends it is printed in red at the foot.
    foot = drawn[-40:]
    assert np.sum((foot[..., 0] > 180) & (foot[..., 2] < 60)) > 200


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
