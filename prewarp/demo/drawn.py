"""The demo's pictures: the file name of each, and what draws it from the built modules."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from prewarp.demo.build import BuiltModule
from prewarp.demo.pictures import overview_sheet, seam_sheet
from prewarp.demo.views import Looks
from prewarp.render.drawing import open_drawing
from prewarp.render.pictures import png_bytes
from prewarp.report.budget import BudgetItem, budget_picture
from prewarp.report.focus import FocusItem, focus_picture
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_picture
from prewarp.report.residuals import residual_picture
from prewarp.report.seam_map import SeamMap, seam_map_picture


@dataclass(frozen=True)
class Picture:
    """A picture: `draw` takes the built modules and the renderer asked for, and returns PNG bytes."""

    file_name: str
    draw: Callable[[Sequence[BuiltModule], str], bytes]


def _sheet(make: Callable, built: Sequence[BuiltModule], renderer: str) -> bytes:
    """Draw a contact sheet of what the eye sees."""
    with open_drawing(renderer) as drawing:
        looks = [Looks(drawing, one.fields, one.module.content, one.seam) for one in built]
        return png_bytes(make(looks, [one.module.content for one in built]))


def _residuals(name: str, built: Sequence[BuiltModule], _: str) -> bytes:
    (one,) = (one for one in built if one.name == name)
    return residual_picture(
        one.fields, one.capture.grid, title=f"{one.title}: how far the capture lies off the fit"
    )


def _reach(built: Sequence[BuiltModule], _: str) -> bytes:
    maps = [
        SeamMap(
            f"{one.title}: {one.figures['reach']['field_of_view']['joined']['horizontal_deg']:.0f} degrees joined, "
            f"{one.figures['reach']['overlap_at_eye_level_deg']:.0f} degrees of overlap",
            one.seam,
            one.overlap.axes_deg,
            one.overlap.spread_out(one.errors["moved_untracked"]),
        )
        for one in built
    ]
    return seam_map_picture(
        maps,
        title="What each channel shows, and how far their pictures come apart when the pupil moves 3 mm, not tracked",
        error_label="seam error, arcmin",
    )


def _light(built: Sequence[BuiltModule], _: str) -> bytes:
    pairs = [
        ProfilePair(one.title, one.light.before[one.light.worst], one.light.after[one.light.worst])
        for one in built
    ]
    return luminance_profile_picture(
        pairs, title="Light across the seam, even content, pupil 3 mm to the right and tracked"
    )


def _focus(built: Sequence[BuiltModule], _: str) -> bytes:
    items = [FocusItem(one.title, one.fields, one.overlap.channels, (one.overlap,)) for one in built]
    return focus_picture(items, title="Where the images lie, and the focus step across the seam")


def _tracker(built: Sequence[BuiltModule], _: str) -> bytes:
    items = [BudgetItem(one.title, one.budget) for one in built]
    return budget_picture(items, title="How good the eye tracker must be")


# The one that takes longest first.
PICTURES = (
    Picture("overview.png", partial(_sheet, overview_sheet)),
    Picture("seam.png", partial(_sheet, seam_sheet)),
    Picture("residuals_coaxial.png", partial(_residuals, "coaxial")),
    Picture("residuals_folded.png", partial(_residuals, "folded")),
    Picture("reach_and_seam.png", _reach),
    Picture("light.png", _light),
    Picture("focus.png", _focus),
    Picture("tracker.png", _tracker),
)
