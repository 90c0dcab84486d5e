"""The slider of head rate: where it lies in a frame, what rate a place on it means, how it is drawn."""

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from prewarp.preview.stage import Page
from prewarp.preview.state import FASTEST_YAW_DEG_PER_S, State
from prewarp.preview.views import Box

# Units of the window, before its pixels per unit: size, distance to the frame's rim, room beside the track.
_WIDTH, _HEIGHT, _RIM, _ASIDE = 300, 52, 12, 16
# Rates this near 0 become 0, deg/s; others are whole numbers.
_CATCH_DEG_PER_S = 4.0
_PLATE, _INK, _QUIET, _WARM = (
    (8, 11, 16, 255),
    (205, 214, 222, 255),
    (138, 150, 162, 255),
    (255, 190, 96, 255),
)


def slider_box(frame_px: tuple[int, int], /, *, scale: float = 1.0) -> Box:
    """Return where the slider lies in a frame: at the bottom right, px."""
    width, height = min(round(_WIDTH * scale), frame_px[0]), min(round(_HEIGHT * scale), frame_px[1])
    rim = round(_RIM * scale)
    return Box(max(frame_px[0] - width - rim, 0), max(frame_px[1] - height - rim, 0), width, height)


def rate_at(x_px: float, frame_px: tuple[int, int], /, *, scale: float = 1.0) -> float:
    """Return the yaw rate, deg/s, that a place across the frame, px, means; the ends beyond the track."""
    box, aside = slider_box(frame_px, scale=scale), _ASIDE * scale
    share = (x_px - box.left - aside) / max(box.width - 2.0 * aside, 1.0)
    rate = float(np.clip(2.0 * share - 1.0, -1.0, 1.0)) * FASTEST_YAW_DEG_PER_S
    return 0.0 if abs(rate) <= _CATCH_DEG_PER_S else float(round(rate))


def place_of(rate_deg_per_s: float, frame_px: tuple[int, int], /, *, scale: float = 1.0) -> float:
    """Return where a yaw rate, deg/s, lies across the frame, px."""
    box, aside = slider_box(frame_px, scale=scale), _ASIDE * scale
    share = 0.5 + 0.5 * float(np.clip(rate_deg_per_s / FASTEST_YAW_DEG_PER_S, -1.0, 1.0))
    return box.left + aside + share * (box.width - 2.0 * aside)


def slider_page(state: State, frame_px: tuple[int, int], /, *, scale: float = 1.0) -> Page:
    """Return the slider with its knob at the state's yaw rate."""
    box = slider_box(frame_px, scale=scale)
    image = Image.new("RGBA", (box.width, box.height), _PLATE)
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default(12.0 * scale)
    yaw = state.head_deg_per_s[0]
    turns = "head still" if yaw == 0.0 else f"head {abs(yaw):g} deg/s {'right' if yaw > 0.0 else 'left'}"
    told = f"{turns}; late rotation {'on' if state.late else 'off'} (R)"
    draw.text((_ASIDE * scale, 6.0 * scale), told, font=font, fill=_INK)
    track = 36.0 * scale
    ends = [place_of(rate, frame_px, scale=scale) - box.left for rate in (-1e9, 1e9)]
    draw.line([(ends[0], track), (ends[1], track)], fill=_QUIET, width=max(round(2.0 * scale), 1))
    middle = place_of(0.0, frame_px, scale=scale) - box.left
    draw.line([(middle, track - 5.0 * scale), (middle, track + 5.0 * scale)], fill=_QUIET)
    knob, radius = place_of(yaw, frame_px, scale=scale) - box.left, 6.0 * scale
    draw.ellipse([knob - radius, track - radius, knob + radius, track + radius], fill=_WARM)
    return Page(np.asarray(image), box.left, box.top)
