"""Content pictures of demo and preview, drawn here so that the committed files can be made again.

`grid`: a line grid with labels, so that a picture turned over or left for right is seen at once. `fine_lines`: thin lines
and rings across the seam. `harbour`: a harbour at night as a pilot meets it. Others: `patterns.py`, `quay.py`. All are fractions of the picture's size,
8-bit sRGB; random parts have fixed seeds.
"""

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from prewarp.checks import nearest_name
from prewarp.errors import RenderError
from prewarp.files import write_bytes
from prewarp.render.patterns import checkerboard, grey_ramp, level_lines, stars, text_page, upright_lines
from prewarp.render.pictures import filling, read_picture
from prewarp.render.quay import quay_by_day
from prewarp.resources import resource_path

# Size of the committed pictures, px. They are scaled to the content size that a module asks for.
SCENE_SIZE_PX = (1920, 1080)
_INK = (225, 232, 238)
_AMBER = (255, 176, 60)


def grid(size_px: tuple[int, int] = SCENE_SIZE_PX, /) -> NDArray[np.uint8]:
    """Return a square line grid with a heavier cross, circles, and the words LEFT, RIGHT, UP, DOWN."""
    width, height = size_px
    image = Image.new("RGB", size_px, (6, 9, 14))
    draw = ImageDraw.Draw(image)
    cell = width / 32.0
    middle = (width / 2.0, height / 2.0)
    for axis in (0, 1):
        for number in range(-16, 17):
            place = middle[axis] + number * cell
            strong = number % 4 == 0
            ends = [(place, 0.0), (place, height)] if axis == 0 else [(0.0, place), (width, place)]
            draw.line(
                ends, fill=_INK if strong else (88, 104, 120), width=_at_least(cell / (14 if strong else 24))
            )
    for radius in (4, 8):
        box = [c + sign * radius * cell for sign in (-1, 1) for c in middle]
        draw.ellipse(box, outline=_AMBER, width=_at_least(cell / 12))
    draw.line([(middle[0], 0), (middle[0], height)], fill=_AMBER, width=_at_least(cell / 12))
    draw.line([(0, middle[1]), (width, middle[1])], fill=_AMBER, width=_at_least(cell / 12))
    for word, x, y in (
        ("LEFT", -9, 0),
        ("RIGHT", 9, 0),
        ("UP", 0, -6),
        ("DOWN", 0, 6),
        ("1", -10, -6),
        ("2", 10, -6),
    ):
        _label(draw, word, middle[0] + x * cell, middle[1] + y * cell, cell * 0.9)
    return np.asarray(image)


def fine_lines(size_px: tuple[int, int] = SCENE_SIZE_PX, /) -> NDArray[np.uint8]:
    """Return thin level, upright and slanted lines and rings across the middle, where channels meet."""
    width, height = size_px
    large = Image.new("L", (2 * width, 2 * height), 0)
    draw = ImageDraw.Draw(large)
    w, h = large.size
    thin = _at_least(w / 1200)
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


def harbour(size_px: tuple[int, int] = SCENE_SIZE_PX, /) -> NDArray[np.uint8]:
    """Return a harbour at night: quay lights, cranes, channel buoys, a ship's lights, and reflections on dark water.

    Lights as sailors know them: a ship's port light is red, starboard green, masthead and stern white (Collision
    Regulations, COLREGs 1972, rule 21). Seen from ahead, her red light is on the right.
    """
    width, height = size_px
    rng = np.random.default_rng(1912)
    horizon = round(height * 0.47)
    image = Image.fromarray(_sky_and_water(width, height, horizon))
    draw = ImageDraw.Draw(image)
    _town(draw, rng, width, horizon, height)
    _cranes(draw, width, horizon, height)
    ship_lights = _ship(draw, width * 0.56, horizon, height)
    lights = [*_quay_lights(rng, width, horizon, height), *ship_lights, *_buoys(draw, width, horizon, height)]
    image = _glow(image, lights, horizon, rng)
    draw = ImageDraw.Draw(image)
    _label(draw, "NORTH QUAY", width * 0.235, horizon - height * 0.075, height * 0.026, fill=(150, 170, 190))
    _label(draw, "042\N{DEGREE SIGN}", width * 0.5, height * 0.1, height * 0.04, fill=_AMBER)
    for number in range(-8, 9):
        x = width * (0.5 + number * 0.045)
        tall = height * (0.022 if number % 2 == 0 else 0.012)
        draw.line(
            [(x, height * 0.145), (x, height * 0.145 + tall)], fill=_AMBER, width=_at_least(height / 540)
        )
    return np.asarray(image)


SCENES: dict[str, Callable[[tuple[int, int]], NDArray[np.uint8]]] = {
    "grid": grid,
    "fine_lines": fine_lines,
    "harbour": harbour,
    "upright_lines": upright_lines,
    "level_lines": level_lines,
    "text_page": text_page,
    "stars": stars,
    "checkerboard": checkerboard,
    "grey_ramp": grey_ramp,
    "quay_by_day": quay_by_day,
}
# Pictures of many shades. The others are plain drawings and are kept in 64 colours.
_SHADED = ("harbour", "stars", "grey_ramp", "quay_by_day")
# Of these a JPEG is smaller by far, and nothing can be told from it.
_NATURAL = ("quay_by_day",)


def scene(name: str, size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a committed scene, scaled about its middle to fill a content picture (height, width, 3)."""
    if name not in SCENES:
        raise RenderError(
            f"no scene '{name}'; expected one of {', '.join(SCENES)}.{nearest_name(name, SCENES)}"
        )
    return filling(read_picture(resource_path("demo_scenes", _file_name(name))), size_px)


def write_scenes(folder: Path, /) -> list[Path]:
    """Draw every scene into `folder` and return the paths."""
    paths = []
    for name, drawn in SCENES.items():
        picture = Image.fromarray(drawn(SCENE_SIZE_PX))
        stream = io.BytesIO()
        if name in _NATURAL:
            picture.save(stream, format="JPEG", quality=88, optimize=True)
        else:
            if name not in _SHADED:
                picture = picture.quantize(64, dither=Image.Dither.NONE)
            picture.save(stream, format="PNG", optimize=True)
        path = folder / _file_name(name)
        write_bytes(path, stream.getvalue())
        paths.append(path)
    return paths


def _file_name(name: str) -> str:
    return f"{name}.jpg" if name in _NATURAL else f"{name}.png"


def _sky_and_water(width: int, height: int, horizon: int) -> NDArray[np.uint8]:
    rows = np.arange(height)[:, None]
    sky = np.clip(rows / horizon, 0.0, 1.0) ** 3
    water = np.clip((rows - horizon) / (height - horizon), 0.0, 1.0) ** 0.7
    upper = np.array([7, 11, 24]) + sky[..., None] * np.array([30, 34, 38])
    lower = np.array([20, 26, 37]) - water[..., None] * np.array([14, 17, 21])
    picture = np.where(rows[..., None] < horizon, upper, lower)
    return np.broadcast_to(np.clip(picture, 0, 255), (height, width, 3)).astype(np.uint8).copy()


def _town(draw: ImageDraw.ImageDraw, rng: np.random.Generator, width: int, horizon: int, height: int) -> None:
    """Dark hills and houses along the horizon, with a few lit windows."""
    x = 0.0
    while x < width:
        wide = rng.uniform(0.012, 0.04) * width
        tall = rng.uniform(0.012, 0.055) * height * (0.4 if 0.42 < x / width < 0.72 else 1.0)
        draw.rectangle([x, horizon - tall, x + wide, horizon], fill=(13, 16, 24))
        for _ in range(int(rng.integers(0, 5))):
            wx, wy = rng.uniform(x, x + wide), horizon - rng.uniform(0.15, 0.9) * tall
            size = height / 540
            draw.rectangle([wx, wy, wx + size, wy + size], fill=(150, 118, 62))
        x += wide * rng.uniform(0.9, 1.3)
    draw.rectangle([0, horizon - height * 0.008, width * 0.43, horizon + height * 0.006], fill=(16, 19, 24))


def _cranes(draw: ImageDraw.ImageDraw, width: int, horizon: int, height: int) -> None:
    for x in (0.07, 0.15, 0.33):
        foot, top = width * x, horizon - height * 0.13
        line = {"fill": (44, 50, 60), "width": _at_least(height / 270)}
        draw.line([(foot - height * 0.02, horizon), (foot, top), (foot + height * 0.02, horizon)], **line)
        draw.line(
            [(foot - height * 0.04, top + height * 0.012), (foot + height * 0.12, top - height * 0.05)],
            **line,
        )
        draw.line(
            [(foot, top), (foot, top - height * 0.03), (foot + height * 0.12, top - height * 0.05)], **line
        )


def _ship(draw: ImageDraw.ImageDraw, x: float, horizon: int, height: int) -> list[tuple]:
    """A ship coming towards us: hull and bridge in outline, and her lights as (x, y, colour, size)."""
    unit = height * 0.01
    hull = [(-6, 2), (-7, -5), (-2, -6.5), (2, -6.5), (7, -5), (6, 2)]
    draw.polygon([(x + a * unit, horizon + b * unit) for a, b in hull], fill=(11, 13, 18))
    draw.rectangle([x - 4 * unit, horizon - 11 * unit, x + 4 * unit, horizon - 6 * unit], fill=(18, 21, 27))
    draw.line(
        [(x, horizon - 11 * unit), (x, horizon - 17 * unit)], fill=(26, 30, 37), width=_at_least(unit / 3)
    )
    for number in range(-3, 4):
        place = x + number * unit
        draw.rectangle(
            [place, horizon - 9.6 * unit, place + unit * 0.55, horizon - 9 * unit], fill=(120, 104, 70)
        )
    return [
        (x, horizon - 17 * unit, (255, 250, 235), 1.3),
        (x, horizon - 13.2 * unit, (255, 250, 235), 1.0),
        (x - 6.2 * unit, horizon - 6.2 * unit, (40, 255, 120), 1.0),
        (x + 6.2 * unit, horizon - 6.2 * unit, (255, 48, 40), 1.0),
    ]


def _buoys(draw: ImageDraw.ImageDraw, width: int, horizon: int, height: int) -> list[tuple]:
    """Channel buoys in two lines that meet at the horizon; green to the right when coming in (IALA region A)."""
    lights = []
    for depth in (0.1, 0.22, 0.42, 0.75):
        for side, colour in ((-1, (255, 48, 40)), (1, (40, 255, 120))):
            x = width * (0.5 + side * 0.44 * depth)
            y = horizon + (height - horizon) * depth * 0.62
            tall = height * 0.06 * depth
            draw.polygon([(x - tall / 3, y), (x, y - tall), (x + tall / 3, y)], fill=(20, 22, 26))
            lights.append((x, y - tall, colour, 0.7 + 0.8 * depth))
    return lights


def _quay_lights(rng: np.random.Generator, width: int, horizon: int, height: int) -> list[tuple]:
    places = np.arange(0.012, 0.43, 0.032)
    lights = [(width * p, horizon - height * 0.035, (255, 190, 110), 0.85) for p in places]
    far = rng.uniform(0.72, 0.99, 14)
    lights += [(width * p, horizon - height * rng.uniform(0.004, 0.03), (255, 214, 160), 0.45) for p in far]
    return lights


def _glow(image: Image.Image, lights: list[tuple], horizon: int, rng: np.random.Generator) -> Image.Image:
    """Add lights with halos, and their broken reflections on the water below."""
    height = image.height
    points = Image.new("RGB", image.size)
    mirror = Image.new("RGB", image.size)
    on_water, sharp = ImageDraw.Draw(mirror), ImageDraw.Draw(points)
    for x, y, colour, size in lights:
        radius = size * height / 400.0
        sharp.ellipse([x - radius, y - radius, x + radius, y + radius], fill=colour)
        below = max(2.0 * horizon - y, y + radius)
        for step in range(26):
            fade = np.exp(-step / 9.0)
            v = below + step * height * 0.0075 * size + rng.uniform(-1.0, 1.0)
            half = radius * (1.0 + 0.09 * step) * rng.uniform(0.5, 1.4)
            u = x + rng.normal(0.0, 0.12 * step)
            tint = tuple(int(c * 0.7 * fade) for c in colour)
            if v < height and v > horizon:
                on_water.line([(u - half, v), (u + half, v)], fill=tint, width=_at_least(height / 500))
    total = np.asarray(image).astype(np.float32) + np.asarray(points)
    total += np.asarray(mirror.filter(ImageFilter.GaussianBlur(height / 900)))
    for spread, gain in ((height / 180, 0.9), (height / 45, 0.9)):
        total += gain * np.asarray(points.filter(ImageFilter.GaussianBlur(spread))).astype(np.float32)
    return Image.fromarray(np.clip(total, 0, 255).astype(np.uint8))


def _label(
    draw: ImageDraw.ImageDraw,
    text: str,
    x: float,
    y: float,
    size: float,
    *,
    fill: tuple[int, int, int] = _INK,
) -> None:
    """Write text about a point, on a dark plate so that lines do not run through it."""
    font = ImageFont.load_default(size)
    box = draw.textbbox((x, y), text, font=font, anchor="mm")
    margin = size * 0.2
    draw.rectangle([box[0] - margin, box[1] - margin, box[2] + margin, box[3] + margin], fill=(6, 9, 14))
    draw.text((x, y), text, font=font, anchor="mm", fill=fill)


def _at_least(width: float) -> int:
    return max(round(width), 1)
