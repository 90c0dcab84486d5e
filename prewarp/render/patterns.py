"""Test patterns of the preview: lines, text, stars, a checkerboard and a grey ramp. All 8-bit sRGB (height, width, 3).

Each shows one thing at the seam: upright and level lines its breaks and crawl, text its legibility, stars its doubled points,
the checkerboard colour fringes, the ramp the blend's light.
"""

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

_PAPER = (214, 218, 222)
_PRINT = (22, 26, 31)

_TEXT = """NOTES FOR THE HARBOUR PILOT. The visor shows the channel as the chart has it, over what you see. Buoys, depth and \
the course to steer stay where they belong while your head and your eyes move. Where two displays meet, lines must \
run on without a step and letters must not be doubled. Look along this page from side to side and read aloud.
Words that double, letters with a shadow, or a line that jumps say that the picture is late or that the eye is not \
where the visor takes it to be. Say so before you board. At night keep the page dim: a bright page takes the dark \
adaptation from your eyes, and it comes back only after half an hour.
Approach from the west keeping the leading lights in line. Pass the mole at not less than two cables, look for the \
set of the ebb across the entrance, and bring her head to 042 when the second green buoy is abeam. Ships that leave \
have right of way in the narrow part; call them on the working channel, and wait outside if in doubt."""


def upright_lines(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return thin upright lines, every fourth one brighter, over the whole width."""
    return _lines(size_px, axis=0)


def level_lines(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return thin level lines, every fourth one brighter, over the whole height."""
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
    for share, paragraph in zip((0.052, 0.039, 0.030), _TEXT.splitlines(), strict=True):
        size = height * share
        font = ImageFont.load_default(size)
        for line in _wrapped(paragraph, font, width - 2 * margin):
            draw.text((margin, top), line, font=font, fill=_PRINT)
            top += size * 1.42
        top += size * 0.5
    return np.asarray(image)


def _wrapped(text: str, font: ImageFont.FreeTypeFont, width: float) -> list[str]:
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
    """Return a checkerboard of squares a sixteenth of the height, white on black, with a finer one in every fourth square.

    Squares of a real board are far coarser than the 0.1 degrees below which a balanced pattern counts as fine; it stands still.
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
    """Return even greys in bands: from the top dark to light, a slow ramp to the right in the middle, and full white below.

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
