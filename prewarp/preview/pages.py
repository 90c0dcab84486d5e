"""Text over the picture, set by Pillow in its scalable font: numbers, legend, help, cautions, messages."""

import textwrap
from collections.abc import Sequence
from functools import lru_cache
from math import ceil

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from prewarp.checks import FloatArray
from prewarp.encoding import srgb_from_linear
from prewarp.preview.controls import CONTROLS, SHOWN_KEYS
from prewarp.preview.gauges import SeamReading
from prewarp.preview.legend import false_colour, tint
from prewarp.preview.stage import Page
from prewarp.preview.state import CORNERS, GHOSTS, ZOOMS, State

_PLATE = (8, 11, 16, 255)
_INK = (205, 214, 222, 255)
_QUIET = (138, 150, 162, 255)
_WARM = (255, 190, 96, 255)
_MARGIN = 10
_PAGE_MARGIN = 18
# Room that legend and slider take at the bottom; width of a column of a film's strip, units of the window.
_BELOW, _STRIP_COLUMN = 100, 380

CAUTIONS = """Before you start

This preview shows how a picture looks through the optics, on a monitor. It is for judging geometry and \
blending, not for wearing.

Before a picture goes to a display that is worn: limit its luminance (IEC 62471, eye safety), and avoid \
flashing and strong flicker (ITU-R BT.1702, ISO 9241-391). Nothing here flashes.

A moving picture can make the viewer unwell. Stop at eye strain, headache, dizziness or nausea, and rest.

People with photosensitive epilepsy should not use it without medical advice. Local codes and licensed \
practice come first.

Press any key or click to go on.  H shows the keys."""


@lru_cache(maxsize=32)
def _font(size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def number_rows(
    state: State,
    pupil_mm: FloatArray,
    tracked_mm: FloatArray,
    reading: SeamReading,
    p95_arcmin: float,
    frame_ms: float,
    /,
) -> list[tuple[str, str]]:
    """Return the numbers that are shown, a name and a value with its unit each."""
    moving = state.motion + (" (paused)" if state.paused and state.motion != "hand" else "")
    rows = [
        ("seam error, worst place", _with_unit(reading.error_arcmin, "arcmin", 2)),
        ("seam error, 95 % of 5 s", _with_unit(p95_arcmin, "arcmin", 2)),
        ("focus step, median", _with_unit(reading.focus_step_dioptres, "D", 2)),
        ("focus step, largest", _with_unit(reading.focus_step_largest_dioptres, "D", 2)),
        ("pupil", _position(pupil_mm)),
        ("tracked pupil", "off: taken as 0, 0, 0" if state.tracking == "off" else _position(tracked_mm)),
        ("tracker", _tracker(state)),
        ("motion", moving),
        ("scene", state.scene.replace("_", " ")),
    ]
    if not state.head.is_still:
        rows.append(("head turns", _turning(state)))
    if state.light != "even":
        rows.append(("panel luminance", state.light))
    if state.transmittance > 0.0:
        rows.append(("transmittance", f"{100 * state.transmittance:g} % of the world's light"))
    if state.ghost:
        rows.append(("ghost image", f"{GHOSTS[state.ghost][0]} of the luminance"))
    if state.zoom:
        rows.append(("zoom", f"{ZOOMS[state.zoom]:g} x"))
    if np.isfinite(frame_ms):
        rows.append(("frame time", f"{frame_ms:.1f} ms"))
    return rows


def numbers_page(
    rows: Sequence[tuple[str, str]],
    frame_px: tuple[int, int],
    /,
    *,
    corner: str = CORNERS[0],
    scale: float = 1.0,
) -> Page:
    """Return the plate of numbers in a corner of a frame; `scale` is the window's pixels per unit."""
    size = 13.0 * scale
    font = _font(size)
    line = round(size * 1.45)
    gap, margin = round(14 * scale), round(_MARGIN * scale)
    first = max(round(font.getlength(name)) for name, _ in rows)
    second = max(round(font.getlength(value)) for _, value in rows)
    # In steps, so that the block does not tremble with its numbers.
    width = -(-(first + gap + second + 2 * margin) // 24) * 24
    image, draw = _plate(width, line * len(rows) + 2 * margin)
    for place, (name, value) in enumerate(rows):
        top = margin + place * line
        draw.text((margin, top), name, font=font, fill=_QUIET)
        draw.text((margin + first + gap, top), value, font=font, fill=_INK)
    rim = round(12 * scale)
    # Legend and slider lie at the bottom.
    below = frame_px[1] - image.height - round(_BELOW * scale) if "bottom" in corner else rim
    beside = frame_px[0] - image.width - rim if "right" in corner else rim
    return Page(np.asarray(image), max(beside, 0), max(below, 0))


def strip_height(rows: int, width_px: int, /, *, scale: float = 1.0) -> int:
    """Return the height of `strip_page`, px."""
    return -(-rows // _strip_columns(width_px, scale)) * round(19 * scale) + 2 * round(6 * scale)


def strip_page(
    rows: Sequence[tuple[str, str]], frame_px: tuple[int, int], /, *, height: int, scale: float = 1.0
) -> Page:
    """Return the numbers side by side in a strip along the bottom of a frame, `height` px of it."""
    image, draw = _plate(frame_px[0], height)
    font, columns = _font(13.0 * scale), _strip_columns(frame_px[0], scale)
    lines = -(-len(rows) // columns)
    for place, (name, value) in enumerate(rows):
        column, row = divmod(place, lines)
        left, top = frame_px[0] * column // columns + round(_MARGIN * scale), round((6 + 19 * row) * scale)
        draw.text((left, top), name, font=font, fill=_QUIET)
        draw.text((left + font.getlength(f"{name}  "), top), value, font=font, fill=_INK)
    return Page(np.asarray(image), 0, frame_px[1] - height)


def _strip_columns(width_px: int, scale: float) -> int:
    return max(int(width_px / (_STRIP_COLUMN * scale)), 1)


def legend_page(
    state: State, channels: Sequence[str], frame_px: tuple[int, int], /, *, scale: float = 1.0
) -> Page | None:
    """Return the legend of a view in false colours, at the bottom left; None for other views."""
    font = _font(13.0 * scale)
    margin, line = round(_MARGIN * scale), round(19 * scale)
    if state.view == "seam error":
        head = "seam error, arcmin (1: resolution limit of normal vision)"
        width, bar = round(font.getlength(head)), round(14 * scale)
        image, draw = _plate(width + 2 * margin, 2 * line + bar + 2 * margin)
        draw.text((margin, margin), head, font=font, fill=_INK)
        shades = srgb_from_linear(false_colour(np.linspace(0.0, 1.0, width)))
        strip = np.repeat(np.rint(shades * 255.0).astype(np.uint8)[None], bar, axis=0)
        image.paste(Image.fromarray(strip), (margin, margin + line))
        end = state.error_end_arcmin
        for place in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
            anchor = "la" if place == 0.0 else "ra" if place == 1.0 else "ma"
            text = f"{place * end:g}" + ("+" if place == 1.0 else "")
            x = margin + round(width * place)
            draw.text((x, margin + line + bar + 3), text, font=font, fill=_QUIET, anchor=anchor)
        return _at_bottom(image, frame_px, scale)
    if state.view == "blend weight":
        names = ["blend weight: luminance of each tint", *channels]
        width = max(round(font.getlength(name)) for name in names) + 2 * line
        image, draw = _plate(width + 2 * margin, line * len(names) + 2 * margin)
        draw.text((margin, margin), names[0], font=font, fill=_INK)
        for place, name in enumerate(channels):
            top = margin + (place + 1) * line
            colour = tuple(int(v) for v in np.rint(srgb_from_linear(np.array(tint(place))) * 255.0))
            draw.rectangle([margin, top + 2, margin + line - 6, top + line - 6], fill=(*colour, 255))
            draw.text((margin + line + 4, top), name, font=font, fill=_INK)
        return _at_bottom(image, frame_px, scale)
    return None


def labels_pages(state: State, frame_px: tuple[int, int], /, *, scale: float = 1.0) -> dict[str, Page | None]:
    """Return the wipe's line and its words "before" and "after"; nothing where there is no wipe."""
    if state.wipe is None:
        return {"line": None, "before": None, "after": None}
    edge = round(state.wipe * frame_px[0])
    line = np.full((frame_px[1], max(round(2 * scale), 1), 4), 255, dtype=np.uint8)
    line[..., :3] = _WARM[:3]
    line[..., 3] = 170
    words = {word: _word(word, scale) for word in ("before", "after")}
    top = frame_px[1] - round(44 * scale)
    gap = round(10 * scale)
    return {
        "line": Page(line, max(edge - line.shape[1] // 2, 0), 0),
        "before": Page(words["before"], edge - gap - words["before"].shape[1], top),
        "after": Page(words["after"], edge + gap, top),
    }


def help_page(frame_px: tuple[int, int], /, *, scale: float = 1.0) -> Page:
    """Return the page of keys, in the middle."""
    rows = [
        ("drag", "move the pupil: the window is the eye box"),
        ("wheel", "pupil depth"),
        *((SHOWN_KEYS.get(control.key, control.key.capitalize()), control.text) for control in CONTROLS),
        ("P", "save a picture (where --pictures names a folder)"),
        ("Esc", "close this page; else asks whether to close the window"),
        ("", "Keys go by what they print here, else by their place on a US keyboard."),
    ]
    # In one column or two, whichever leaves the larger text.
    found = [(_fitting(_columns_size(rows, one), frame_px, scale), -one) for one in (1, 2)]
    scale, columns = max(found)[0], -max(found)[1]
    font = _font(max(13.0 * scale, 6.0))
    line, margin, gap = max(round(20 * scale), 8), round(_PAGE_MARGIN * scale), round(20 * scale)
    first, second = (max(ceil(font.getlength(row[part])) for row in rows) for part in (0, 1))
    deep, wide = ceil(len(rows) / columns), first + second + 3 * gap
    image, draw = _plate(columns * wide - 2 * gap + 2 * margin, line * deep + 2 * margin, alpha=250)
    for place, (name, text) in enumerate(rows):
        left, top = margin + place // deep * wide, margin + place % deep * line
        draw.text((left, top), name, font=font, fill=_WARM)
        draw.text((left + first + gap, top), text, font=font, fill=_INK)
    return _centred(image, frame_px)


def _columns_size(rows: Sequence[tuple[str, str]], columns: int) -> tuple[float, float]:
    """Return width and height of the page of keys at scale 1."""
    first, second = (max(_font(13.0).getlength(row[part]) for row in rows) for part in (0, 1))
    wide = columns * (first + second + 60.0) - 40.0
    return wide + 2.0 * _PAGE_MARGIN, 20.0 * ceil(len(rows) / columns) + 2.0 * _PAGE_MARGIN


def _fitting(size: tuple[float, float], frame_px: tuple[int, int], scale: float) -> float:
    """Return the scale, or the largest at which a page of a size at scale 1 leaves 20 px free all around."""
    return max(min(scale, *((frame_px[axis] - 40.0) / size[axis] for axis in (0, 1))), 0.1)


def ask_page(frame_px: tuple[int, int], /, *, scale: float = 1.0) -> Page:
    """Return the question whether to close the window."""
    text = ("Close the preview?", "", "Y or Enter closes it, any other key goes on.")
    return _centred(_paragraphs(text, min(frame_px[0] - 40, round(420 * scale)), 15.0 * scale), frame_px)


def caution_page(frame_px: tuple[int, int], /, *, scale: float = 1.0) -> Page:
    """Return the start screen."""
    return _centred(
        _paragraphs(CAUTIONS.splitlines(), min(frame_px[0] - 40, round(620 * scale)), 15.0 * scale), frame_px
    )


def message_page(text: str, frame_px: tuple[int, int], /, *, scale: float = 1.0) -> Page:
    """Return a message (an error, a file written) at the bottom, over the whole width at most."""
    lines = [*text.strip().splitlines()][:12]
    image = _paragraphs(lines, min(frame_px[0] - 40, round(900 * scale)), 13.0 * scale, heading=False)
    return Page(
        np.asarray(image),
        max((frame_px[0] - image.width) // 2, 0),
        max(frame_px[1] - image.height - round(60 * scale), 0),
    )


def _paragraphs(paragraphs: Sequence[str], width: int, size: float, *, heading: bool = True) -> Image.Image:
    font, large = _font(size), _font(size * 1.3)
    margin, line = round(size * 1.4), round(size * 1.5)
    columns = max(int((max(width, 120) - 2 * margin) / font.getlength("n")), 12)
    lines: list[str] = []
    for paragraph in paragraphs:
        lines += textwrap.wrap(paragraph, columns) or [""]
    longest = max((font.getlength(text) for text in lines), default=0)
    image, draw = _plate(
        round(max(longest, 80 * size / 13)) + 2 * margin, line * len(lines) + 2 * margin, alpha=250
    )
    for place, text in enumerate(lines):
        first = heading and place == 0
        draw.text(
            (margin, margin + place * line),
            text,
            font=large if first else font,
            fill=_WARM if first else _INK,
        )
    return image


def _plate(width: int, height: int, *, alpha: int = _PLATE[3]) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    image = Image.new("RGBA", (max(width, 1), max(height, 1)), (*_PLATE[:3], alpha))
    return image, ImageDraw.Draw(image)


def _word(word: str, scale: float) -> np.ndarray:
    font = _font(13.0 * scale)
    image, draw = _plate(round(font.getlength(word)) + round(14 * scale), round(22 * scale))
    draw.text((round(7 * scale), round(3 * scale)), word, font=font, fill=_INK)
    return np.asarray(image)


def _centred(image: Image.Image, frame_px: tuple[int, int]) -> Page:
    left, top = ((frame_px[axis] - image.size[axis]) // 2 for axis in range(2))
    return Page(np.asarray(image), max(left, 0), max(top, 0))


def _at_bottom(image: Image.Image, frame_px: tuple[int, int], scale: float) -> Page:
    return Page(np.asarray(image), round(12 * scale), max(frame_px[1] - image.height - round(12 * scale), 0))


def _with_unit(value: float, unit: str, digits: int) -> str:
    return f"{value:.{digits}f} {unit}" if np.isfinite(value) else "-"


def _position(pupil_mm: FloatArray) -> str:
    return ", ".join(f"{value + 0.0:.2f}" for value in np.round(pupil_mm, 2)) + " mm"


def _turning(state: State) -> str:
    ways = (("right", "left"), ("up", "down"), ("to the right shoulder", "to the left shoulder"))
    pairs = zip(state.head_deg_per_s, ways, strict=True)
    parts = [f"{abs(rate):g} deg/s {names[rate < 0.0]}" for rate, names in pairs if rate]
    return f"{', '.join(parts)}; late rotation {'on' if state.late else 'off'}"


def _tracker(state: State) -> str:
    if state.tracking != "noisy":
        return state.tracking
    one = state.tracker
    errors = f"{one.accuracy_mm:g} mm off, {one.noise_mm:g} mm noise"
    return f"{errors}, {one.latency_ms:g} ms late, {one.rate_hz:g} Hz"
