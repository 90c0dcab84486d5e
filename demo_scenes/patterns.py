"""Test patterns of the preview: lines, text, stars, a checkerboard and a grey ramp. All 8-bit sRGB (height,
width, 3).

Each shows one thing at the seam: vertical and horizontal lines its breaks and crawl, text its legibility,
stars its doubled points, the checkerboard colour fringes, the ramp the blend's light.
"""

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

INK = (225, 232, 238)
AMBER = (255, 176, 60)
_PAPER = (214, 218, 222)
_PRINT = (22, 26, 31)

_TEXT = """\
NOTES FOR THE HARBOUR PILOT. The visor shows the channel as the chart has it, over what you see. Buoys, \
depth and the course to steer stay where they belong while your head and your eyes move. Where two \
displays meet, lines must run on without a step and letters must not be doubled. Look along this page from \
side to side and read aloud.
Words that double, letters with a shadow, or a line that jumps say that the picture is late or that the \
eye is not where the visor takes it to be. Say so before you board. At night keep the page dim: a bright \
page takes the dark adaptation from your eyes, and it comes back only after half an hour.
Approach from the west keeping the leading lights in line. Pass the mole at not less than two cables, look \
for the set of the ebb across the entrance, and bring her head to 042 when the second green buoy is abeam. \
Ships that leave have right of way in the narrow part; call them on the working channel, and wait outside \
if in doubt."""


def grid(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a square line grid with a heavier cross, circles, and the words LEFT, RIGHT, UP, DOWN."""
    width, height = size_px
    image = Image.new("RGB", size_px, (6, 9, 14))
    draw = ImageDraw.Draw(image)
    cell = width / 32.0
    middle = (width / 2.0, height / 2.0)
    for axis in (0, 1):
        reach = int(np.ceil(middle[axis] / cell))
        for number in range(-reach, reach + 1):
            place = middle[axis] + number * cell
            strong = number % 4 == 0
            ends = [(place, 0.0), (place, height)] if axis == 0 else [(0.0, place), (width, place)]
            draw.line(
                ends, fill=INK if strong else (88, 104, 120), width=at_least(cell / (14 if strong else 24))
            )
    for radius in (4, 8):
        box = [c + sign * radius * cell for sign in (-1, 1) for c in middle]
        draw.ellipse(box, outline=AMBER, width=at_least(cell / 12))
    draw.line([(middle[0], 0), (middle[0], height)], fill=AMBER, width=at_least(cell / 12))
    draw.line([(0, middle[1]), (width, middle[1])], fill=AMBER, width=at_least(cell / 12))
    for word, x, y in (
        # Inside a square about the middle, and beside the cross: narrow fields and contents cut none.
        ("LEFT", -6, 0),
        ("RIGHT", 6, 0),
        ("UP", 2, -5),
        ("DOWN", 2, 5),
        ("1", -6, -5),
        ("2", 6, -5),
    ):
        label(draw, word, middle[0] + x * cell, middle[1] + y * cell, cell * 0.9)
    return np.asarray(image)


def fine_lines(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return thin horizontal, vertical and slanted lines and rings across the middle, where channels meet."""
    width, height = size_px
    large = Image.new("L", (2 * width, 2 * height), 0)
    draw = ImageDraw.Draw(large)
    w, h = large.size
    thin = at_least(w / 1200)
    for number in range(-12, 13):
        y = h / 2 + number * h / 26
        draw.line([(0, y), (w, y)], fill=150 if number % 4 else 255, width=thin)
        x = w / 2 + number * h / 52
        draw.line([(x, h * 0.12), (x, h * 0.88)], fill=120 if number % 4 else 255, width=thin)
    for number in range(-6, 7):
        draw.line(
            [(w * 0.3, h / 2 + (number - 3) * h / 14), (w * 0.7, h / 2 + (number + 3) * h / 14)],
            fill=170,
            width=thin,
        )
    for number in range(1, 9):
        radius = number * h / 20
        draw.ellipse(
            [w / 2 - radius, h / 2 - radius, w / 2 + radius, h / 2 + radius], outline=255, width=thin
        )
    image = large.resize((width, height), Image.Resampling.LANCZOS)
    return np.repeat(np.asarray(image)[..., None], 3, axis=-1)


def vertical_lines(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return thin vertical lines, every fourth one brighter, over the whole width."""
    return _lines(size_px, axis=0)


def horizontal_lines(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return thin horizontal lines, every fourth one brighter, over the whole height."""
    return _lines(size_px, axis=1)


def _lines(size_px: tuple[int, int], *, axis: int) -> NDArray[np.uint8]:
    width, height = size_px
    step = height / 54.0
    length = size_px[axis]
    place = np.arange(length) + 0.5
    number = np.floor(place / step)
    # Lines of light 1/20 of their distance wide, each pixel as much light as the line covers of it.
    half = step / 40.0
    middle = (number + 0.5) * step
    covered = np.clip(half + 0.5 - np.abs(place - middle), 0.0, min(1.0, 2.0 * half)) / min(1.0, 2.0 * half)
    bright = np.where((number - number[length // 2]) % 4 == 0, 235.0, 140.0)
    line = np.rint(covered * bright).astype(np.uint8)
    plane = np.broadcast_to(line if axis == 0 else line[:, None], (height, width))
    return np.repeat(plane[..., None], 3, axis=-1).copy()


def text_page(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a page of running text in three sizes, dark on light."""
    width, height = size_px
    image = Image.new("RGB", size_px, _PAPER)
    draw = ImageDraw.Draw(image)
    top, margin = height * 0.05, width * 0.05
    # So that an upright page takes all of the text.
    page = min(height, width)
    for share, paragraph in zip((0.052, 0.039, 0.030), _TEXT.splitlines(), strict=True):
        size = page * share
        font = ImageFont.load_default(size)
        for line in _wrapped(paragraph, font, width - 2 * margin):
            draw.text((margin, top), line, font=font, fill=_PRINT)
            top += size * 1.42
        top += size * 0.5
    return np.asarray(image)


def _wrapped(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: float) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if font.getlength(longer) > width:
            lines.append(line)
            longer = word
        line = longer
    return [*lines, line]


def stars(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a field of stars of many brightnesses on black; random, of a fixed seed."""
    width, height = size_px
    random = np.random.default_rng(1572)
    light = np.zeros((height, width, 3))
    unit = height / 1080.0
    count = 900
    # Each magnitude has about three times as many stars as the one before (common knowledge of star counts).
    brightness = np.minimum(0.035 / random.uniform(0.004, 1.0, count) ** 0.9, 3.0)
    warm = random.normal(0.0, 0.12, count)
    radius = 1.1 * unit * (0.8 + 0.5 * np.sqrt(brightness))
    reach = int(np.ceil(6.0 * unit)) + 2
    for x, y, b, w, r in zip(
        random.uniform(0, width, count),
        random.uniform(0, height, count),
        brightness,
        warm,
        radius,
        strict=True,
    ):
        left, top = max(int(x) - reach, 0), max(int(y) - reach, 0)
        right, bottom = min(int(x) + reach + 1, width), min(int(y) + reach + 1, height)
        v, u = np.mgrid[top:bottom, left:right] + 0.5
        spot = b * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2.0 * r * r))
        light[top:bottom, left:right] += spot[..., None] * (1.0 + np.array([w, 0.0, -w]))
    return np.rint(255.0 * np.clip(light, 0.0, 1.0) ** (1.0 / 2.2)).astype(np.uint8)


def checkerboard(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a checkerboard of squares a sixteenth of the height, white on black, with a finer one in every
    fourth square.

    Squares of a real board are far coarser than the 0.1 degrees below which a balanced pattern counts as
    fine; it stands still.
    """
    width, height = size_px
    v, u = np.mgrid[0:height, 0:width] + 0.5
    cell = height / 16.0
    column, row = np.floor((u - width / 2) / cell), np.floor((v - height / 2) / cell)
    board = (column + row) % 2 == 0
    fine = (np.floor((u - width / 2) * 8 / cell) + np.floor((v - height / 2) * 8 / cell)) % 2 == 0
    here = (column % 4 == 0) & (row % 4 == 0)
    return np.repeat((np.where(here, fine, board) * 200).astype(np.uint8)[..., None], 3, axis=-1)


def grey_ramp(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return even greys in bands: from the top dark to light, a slow ramp to the right in the middle, and
    full white below.

    Even greys show a blend that does not add up; the ramp shows bands.
    """
    width, height = size_px
    levels = (8, 16, 32, 64, 96, 128)
    band = height / 10.0
    image = np.zeros((height, width), dtype=np.float64)
    rows = np.arange(height)
    for place, level in enumerate(levels):
        image[(rows >= place * band) & (rows < (place + 1) * band)] = level
    ramp = (rows >= 6 * band) & (rows < 8 * band)
    image[ramp] = np.linspace(0.0, 255.0, width)
    image[rows >= 8 * band] = 188.0
    image[rows >= 9 * band] = 240.0
    return np.repeat(np.rint(image).astype(np.uint8)[..., None], 3, axis=-1)


def label(
    draw: ImageDraw.ImageDraw,
    text: str,
    x: float,
    y: float,
    size: float,
    *,
    fill: tuple[int, int, int] = INK,
) -> None:
    """Write text about a point, on a dark plate so that lines do not run through it."""
    font = ImageFont.load_default(size)
    box = draw.textbbox((x, y), text, font=font, anchor="mm")
    margin = size * 0.2
    draw.rectangle([box[0] - margin, box[1] - margin, box[2] + margin, box[3] + margin], fill=(6, 9, 14))
    draw.text((x, y), text, font=font, anchor="mm", fill=fill)


def at_least(width: float) -> int:
    return max(round(width), 1)
