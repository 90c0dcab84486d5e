"""The demo's contact sheets: which scenes, which windows, which words."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from prewarp.content import ContentProjection
from prewarp.demo.sheet import contact_sheet, rows_of, with_frame, with_scale
from prewarp.demo.views import LOOKS, OVERVIEW_SHRINK, OVERVIEW_SIZE_PX, CloseUp, Looks
from prewarp.render.scenes import scene

PX_PER_RADIAN = 3437.75  # one arcmin is one px at the middle of a close-up
TITLES = {
    "raw": "1  Raw: the picture sent to both panels as it is, only placed and scaled",
    "corrected": "2  Corrected: pre-warped and blended, pupil where the system expects it",
    "moved_untracked": "3  Pupil moved 3 mm to the right, and the system does not know",
    "moved_tracked": "4  Pupil moved 3 mm to the right, and the eye tracker says so",
}
HEADS = ("Coaxial module", "Folded module")
# The zoom looks at a crossing of the scene's lines on the seam, four of its cells (1/32 of the width) above the middle.
_ZOOM_CELLS = 4
_ZOOM_SIZE_PX = (256, 320)
_SEAM_SIZE_PX = (600, 400)
_SEAM_SCALE = 1.25


def overview_sheet(looks: Sequence[Looks], contents: Sequence[ContentProjection], /) -> NDArray[np.uint8]:
    """Return the line grid in all states of both modules, each with a zoom on the seam."""
    modules = []
    for look, content in zip(looks, contents, strict=True):
        up = _ZOOM_CELLS * content.size_px[0] / 32.0 / content.focal_px
        window = CloseUp(np.array([0.0, up]), _ZOOM_SIZE_PX, PX_PER_RADIAN)
        view = ContentProjection(content.projection, OVERVIEW_SIZE_PX, content.field_x_deg)
        corners = view.pixel_from_tangent(window.tangent_from_pixel(np.array([[0.0, 0.0], _ZOOM_SIZE_PX])))
        small = tuple(length // OVERVIEW_SHRINK for length in content.size_px)
        whole = look.overviews(scene("grid", small))
        close = look.close_ups(scene("grid", content.size_px), window)
        modules.append(
            {
                state: (with_frame(whole[state], corners), with_scale(close[state], window, arcmin=60.0))
                for state in LOOKS
            }
        )
    return contact_sheet(
        "One picture from two channels: what the right eye sees",
        (
            f"Left of each pair: the whole view, {contents[0].field_x_deg:g} degrees wide. Right: the framed place on the seam, enlarged.",
            "Lines that fork or double in the enlargement are the two channels' pictures coming apart.",
        ),
        HEADS,
        rows_of(TITLES, modules),
    )


def seam_sheet(looks: Sequence[Looks], contents: Sequence[ContentProjection], /) -> NDArray[np.uint8]:
    """Return fine lines across the seam in all states of both modules, enlarged."""
    modules = []
    for look, content in zip(looks, contents, strict=True):
        window = CloseUp(np.zeros(2), _SEAM_SIZE_PX, PX_PER_RADIAN * _SEAM_SCALE)
        close = look.close_ups(scene("fine_lines", content.size_px), window)
        modules.append({state: (with_scale(close[state], window, arcmin=30.0),) for state in LOOKS})
    across = np.degrees(_SEAM_SIZE_PX[0] / PX_PER_RADIAN / _SEAM_SCALE)
    return contact_sheet(
        "The seam close up: thin lines straight ahead",
        (
            f"Each picture is {across:.0f} degrees wide. Double lines: the two channels show one line at two places.",
        ),
        HEADS,
        rows_of(TITLES, modules),
    )
