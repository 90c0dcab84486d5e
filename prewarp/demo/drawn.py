"""What the demo draws: pictures of one module, and of both side by side."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from prewarp.demo.build import BuiltModule
from prewarp.demo.pictures import Cells, overview_cells, overview_sheet, seam_cells, seam_sheet
from prewarp.demo.views import Looks
from prewarp.render.drawing import open_drawing
from prewarp.render.pictures import png_bytes
from prewarp.report.budget import BudgetItem, budget_picture
from prewarp.report.focus import FocusItem, focus_picture
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_picture
from prewarp.report.residuals import residual_picture
from prewarp.report.seam_map import SeamMap, seam_map_picture


@dataclass(frozen=True)
class DrawnModule:
    """Pictures of one module: cells of the contact sheets, and the residuals as PNG."""

    overview: Cells
    seam: Cells
    residuals: bytes


def draw_module(one: BuiltModule, renderer: str, /) -> DrawnModule:
    """Draw what needs one module alone; `renderer` as `open_drawing` takes it."""
    content = one.module.content
    with open_drawing(renderer) as drawing:
        look = Looks(drawing, one.eye)
        overview, seam = overview_cells(look, content), seam_cells(look, content)
    title = f"{one.title}: how far the capture lies off the fit"
    return DrawnModule(overview, seam, residual_picture(one.eye.fields, one.capture.grid, title=title))


def overview(field_x_deg: float, cells: Sequence[Cells], /) -> bytes:
    """Return the sheet of the modules' overviews as PNG."""
    return png_bytes(overview_sheet(cells, field_x_deg))


def close_up(cells: Sequence[Cells], /) -> bytes:
    """Return the sheet of the modules' seams as PNG."""
    return png_bytes(seam_sheet(cells))


def _reach(built: Sequence[BuiltModule]) -> bytes:
    maps = [
        SeamMap(
            f"{one.title}: {one.figures['reach']['field_of_view']['joined']['horizontal_deg']:.0f} degrees "
            f"joined, {one.figures['reach']['overlap_at_eye_level_deg']:.0f} degrees of overlap",
            one.eye.seam,
            one.overlap.axes_deg,
            one.overlap.spread_out(one.errors["moved_untracked"]),
        )
        for one in built
    ]
    return seam_map_picture(
        maps,
        title="What each channel shows, and how far their pictures come apart when the pupil moves 3 mm, not "
        "tracked",
        error_label="seam error, arcmin",
    )


def _light(built: Sequence[BuiltModule]) -> bytes:
    pairs = [
        ProfilePair(one.title, one.light.before[one.light.worst], one.light.after[one.light.worst])
        for one in built
    ]
    return luminance_profile_picture(
        pairs, title="Luminance across the seam, uniform field, pupil 3 mm to the right and tracked"
    )


def _focus(built: Sequence[BuiltModule]) -> bytes:
    items = [FocusItem(one.title, one.eye.fields, one.overlap.channels, (one.overlap,)) for one in built]
    return focus_picture(items, title="Where the images lie, and the focus step across the seam")


def _tracker(built: Sequence[BuiltModule]) -> bytes:
    items = [BudgetItem(one.title, one.budget) for one in built]
    return budget_picture(items, title="How good the eye tracker must be")


# Files with both modules side by side: name, and what draws it as PNG.
FIGURES: Mapping[str, Callable[[Sequence[BuiltModule]], bytes]] = {
    "reach_and_seam.png": _reach,
    "light.png": _light,
    "focus.png": _focus,
    "tracker.png": _tracker,
}
