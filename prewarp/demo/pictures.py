"""The demo's contact sheets: which scenes, which windows, which words."""

from collections.abc import Mapping, Sequence
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.demo.sheet import contact_sheet, rows_of, with_frame, with_scale
from prewarp.demo.views import LOOKS, OVERVIEW_SHRINK, OVERVIEW_SIZE_PX, CloseUp, Looks
from prewarp.frames import ARCMIN_PER_RADIAN
from prewarp.render.scenes import scene

TITLES = {
    "raw": "1  Raw: the picture sent to both panels as it is, only placed and scaled",
    "corrected": "2  Corrected: pre-warped and blended, pupil where the system expects it",
    "moved_untracked": "3  Pupil moved 3 mm to the right, and the system does not know",
    "moved_tracked": "4  Pupil moved 3 mm to the right, and the eye tracker says so",
}
# Pictures of a module that go side by side, by state.
Cells = Mapping[str, tuple[NDArray[np.uint8], ...]]
HEADS = ("Coaxial module", "Folded module")
# The zoom looks at a crossing of the scene's lines on the seam, so many of its cells (1/32 of the width)
# above the middle.
_ZOOM_CELLS = -5
_ZOOM_SIZE_PX, _ZOOM_PX_PER_ARCMIN = (256, 320), 2.0
_SEAM_SIZE_PX, _SEAM_PX_PER_ARCMIN = (600, 400), 3.0
# The close-up looks this far down, where the seam opens more than straight ahead.
_SEAM_DOWN_DEG = 10.0
# Distance of its hairlines; they are as thin as the content picture can carry (about 2 arcmin).
_HAIRLINE_STEP_DEG = 0.5


def overview_cells(look: Looks, content: ContentProjection, /) -> Cells:
    """Return the line grid in all states of a module: the whole view, and a zoom on the seam."""
    drawn = lru_cache(partial(scene, "grid"))
    up = _ZOOM_CELLS * content.size_px[0] / 32.0 / content.focal_px
    window = CloseUp(np.array([0.0, up]), _ZOOM_SIZE_PX, _ZOOM_PX_PER_ARCMIN * ARCMIN_PER_RADIAN)
    view = ContentProjection(content.projection, OVERVIEW_SIZE_PX, content.field_x_deg)
    corners = view.pixel_from_tangent(window.tangent_from_pixel(np.array([[0.0, 0.0], _ZOOM_SIZE_PX])))
    small = tuple(length // OVERVIEW_SHRINK for length in content.size_px)
    whole = look.overviews(drawn(small))
    close = look.close_ups(drawn(content.size_px), window)
    return {
        state: (with_frame(whole[state], corners), with_scale(close[state], window, arcmin=10.0))
        for state in LOOKS
    }


def seam_cells(look: Looks, content: ContentProjection, /) -> Cells:
    """Return fine lines across the seam in all states of a module, enlarged."""
    up = -np.tan(np.radians(_SEAM_DOWN_DEG))
    window = CloseUp(np.array([0.0, up]), _SEAM_SIZE_PX, _SEAM_PX_PER_ARCMIN * ARCMIN_PER_RADIAN)
    close = look.close_ups(_hairlines(content, window.centre), window)
    return {state: (with_scale(close[state], window, arcmin=10.0),) for state in LOOKS}


def overview_sheet(
    modules: Sequence[Cells], field_x_deg: float, /, *, heads: Sequence[str] = HEADS
) -> NDArray[np.uint8]:
    """Return the sheet of the overview cells of modules, side by side under their heads."""
    return contact_sheet(
        "One picture from two channels: what the right eye sees",
        (
            f"Left of each pair: the whole view, {field_x_deg:g} degrees wide. Right: the framed place on "
            "the seam, enlarged.",
            *_lines(
                "Double lines in the enlargement: the two channels show one line at two places.",
                "Coloured edges: red, green and blue do so.",
                joined=len(modules) > 1,
            ),
        ),
        heads,
        rows_of(TITLES, modules),
    )


def _lines(*sentences: str, joined: bool) -> tuple[str, ...]:
    """Return sentences in one line, or one below the other on a narrow sheet."""
    return (" ".join(sentences),) if joined else sentences


def seam_sheet(modules: Sequence[Cells], /) -> NDArray[np.uint8]:
    """Return the sheet of the seam cells of both modules."""
    return contact_sheet(
        f"The seam close up: hairlines, {_SEAM_DOWN_DEG:g} degrees below straight ahead",
        (
            f"Lines are {_HAIRLINE_STEP_DEG * 60:g} arcmin apart. One arcmin is the resolution limit of "
            "normal vision (common practice); offsets of a line are seen well below it (vernier).",
            "Double lines: the two channels show one line at two places. Coloured edges: red, green and blue "
            "do so.",
        ),
        HEADS,
        rows_of(TITLES, modules),
    )


def _hairlines(content: ContentProjection, centre: FloatArray) -> NDArray[np.uint8]:
    """Return a picture of thin vertical, horizontal and slanted lines about a direction (2,), tangents."""
    middle = content.pixel_from_tangent(centre)
    step = np.radians(_HAIRLINE_STEP_DEG) * content.focal_px
    image = Image.new("RGB", content.size_px, (0, 0, 0))
    draw = ImageDraw.Draw(image)
    for number in range(-6, 7):
        x, y = (round(float(place + number * step)) for place in middle)
        low, high = middle - 6.0 * step, middle + 6.0 * step
        draw.line([(x, low[1]), (x, high[1])], fill=(255, 255, 255))
        draw.line([(low[0], y), (high[0], y)], fill=(255, 255, 255))
    draw.line([*map(tuple, (middle - 6.0 * step, middle + 6.0 * step))], fill=(255, 255, 255))
    return np.asarray(image)
