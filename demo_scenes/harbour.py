"""A harbour at night as a pilot meets it, in fractions of the picture's size; its seed is fixed."""

from functools import partial

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from .patterns import AMBER, at_least, label

# Where a light is, px, its colour and how large it looks.
Light = tuple[float, float, tuple[int, int, int], float]


def harbour(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a harbour at night: quay lights, cranes, channel buoys, a ship's lights, and reflections on dark
    water.

    Lights as sailors know them: a ship's port light is red, starboard green, masthead and stern white
    (Collision Regulations, COLREGs 1972, rule 21). Seen from ahead, her red light is on the right.
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
    label(draw, "NORTH QUAY", width * 0.235, horizon - height * 0.075, height * 0.026, fill=(150, 170, 190))
    label(draw, "042\N{DEGREE SIGN}", width * 0.5, height * 0.1, height * 0.04, fill=AMBER)
    for number in range(-8, 9):
        x = width * (0.5 + number * 0.045)
        tall = height * (0.022 if number % 2 == 0 else 0.012)
        draw.line([(x, height * 0.145), (x, height * 0.145 + tall)], fill=AMBER, width=at_least(height / 540))
    return np.asarray(image)


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
        line = partial(draw.line, fill=(44, 50, 60), width=at_least(height / 270))
        line([(foot - height * 0.02, horizon), (foot, top), (foot + height * 0.02, horizon)])
        line([(foot - height * 0.04, top + height * 0.012), (foot + height * 0.12, top - height * 0.05)])
        line([(foot, top), (foot, top - height * 0.03), (foot + height * 0.12, top - height * 0.05)])


def _ship(draw: ImageDraw.ImageDraw, x: float, horizon: int, height: int) -> list[Light]:
    """A ship coming towards us: hull and bridge in outline, and her lights as (x, y, colour, size)."""
    unit = height * 0.01
    hull = [(-6, 2), (-7, -5), (-2, -6.5), (2, -6.5), (7, -5), (6, 2)]
    draw.polygon([(x + a * unit, horizon + b * unit) for a, b in hull], fill=(11, 13, 18))
    draw.rectangle([x - 4 * unit, horizon - 11 * unit, x + 4 * unit, horizon - 6 * unit], fill=(18, 21, 27))
    draw.line(
        [(x, horizon - 11 * unit), (x, horizon - 17 * unit)], fill=(26, 30, 37), width=at_least(unit / 3)
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


def _buoys(draw: ImageDraw.ImageDraw, width: int, horizon: int, height: int) -> list[Light]:
    """Channel buoys in two lines to the horizon; green to the right when coming in (IALA region A)."""
    lights = []
    for depth in (0.1, 0.22, 0.42, 0.75):
        for side, colour in ((-1, (255, 48, 40)), (1, (40, 255, 120))):
            x = width * (0.5 + side * 0.44 * depth)
            y = horizon + (height - horizon) * depth * 0.62
            tall = height * 0.06 * depth
            draw.polygon([(x - tall / 3, y), (x, y - tall), (x + tall / 3, y)], fill=(20, 22, 26))
            lights.append((x, y - tall, colour, 0.7 + 0.8 * depth))
    return lights


def _quay_lights(rng: np.random.Generator, width: int, horizon: int, height: int) -> list[Light]:
    places = np.arange(0.012, 0.43, 0.032)
    lights = [(width * p, horizon - height * 0.035, (255, 190, 110), 0.85) for p in places]
    far = rng.uniform(0.72, 0.99, 14)
    lights += [(width * p, horizon - height * rng.uniform(0.004, 0.03), (255, 214, 160), 0.45) for p in far]
    return lights


def _glow(image: Image.Image, lights: list[Light], horizon: int, rng: np.random.Generator) -> Image.Image:
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
                on_water.line([(u - half, v), (u + half, v)], fill=tint, width=at_least(height / 500))
    total = np.asarray(image).astype(np.float32) + np.asarray(points)
    total += np.asarray(mirror.filter(ImageFilter.GaussianBlur(height / 900)))
    for spread, gain in ((height / 180, 0.9), (height / 45, 0.9)):
        total += gain * np.asarray(points.filter(ImageFilter.GaussianBlur(spread))).astype(np.float32)
    return Image.fromarray(np.clip(total, 0, 255).astype(np.uint8))
