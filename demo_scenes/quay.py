"""A quay by day: a picture such as the world offers, of a few surfaces, sunlight and noise of a fixed seed.

It serves as a natural scene and as the world behind a see-through display. All is computed in linear light.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFilter
from scipy.ndimage import zoom

from prewarp.encoding import srgb_from_linear

_SEED = 1839


def quay_by_day(size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return the quay: sky with clouds, hills in the haze, water, a ship, boxes, a crane and stones."""
    width, height = size_px
    random = np.random.default_rng(_SEED)
    horizon = 0.44 * height
    light = _sky(random, width, height, horizon)
    _hills(light, random, horizon)
    light = _water(light, random, horizon)
    _ship(light, horizon)
    _quay(light, random, horizon)
    return np.rint(255.0 * srgb_from_linear(np.clip(light, 0.0, 1.0))).astype(np.uint8)


def _noise(
    random: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int], octaves: int
) -> NDArray[np.float64]:
    """Return smooth noise of unit range, finer octaves half as strong."""
    total, strength = np.zeros(shape), 1.0
    for octave in range(octaves):
        rows, columns = (min(count << octave, length) for count, length in zip(cells, shape, strict=True))
        coarse = random.uniform(-1.0, 1.0, (rows + 2, columns + 2))
        fine = zoom(coarse, (shape[0] / rows, shape[1] / columns), order=3, mode="nearest", prefilter=False)
        total += strength * fine[: shape[0], : shape[1]]
        strength *= 0.5
    return total / 2.0


def _sky(random: np.random.Generator, width: int, height: int, horizon: float) -> NDArray[np.float64]:
    v, u = np.mgrid[0:height, 0:width]
    up = np.clip(1.0 - v / horizon, 0.0, 1.0)[..., None]
    blue = (1.0 - up) * np.array([0.62, 0.70, 0.78]) + up * np.array([0.10, 0.26, 0.58])
    sun = np.hypot(u / width - 0.78, (v / height - 0.12) * height / width)
    blue += 0.5 * np.exp(-sun / 0.09)[..., None] * np.array([1.0, 0.9, 0.7])
    # Clouds lie flatter towards the horizon.
    clouds = _noise(random, (height, width), (5, 6), 6)
    cover = np.clip((clouds + 0.12) * 2.2, 0.0, 1.0) ** 1.5 * np.clip(1.4 * up[..., 0] + 0.15, 0.0, 1.0)
    shade = np.clip(0.74 - 0.45 * clouds[np.maximum(np.arange(height) - height // 60, 0)], 0.35, 0.95)
    cover = cover[..., None]
    lit: NDArray[np.float64] = blue * (1.0 - cover) + cover * shade[..., None] * np.array([1.0, 0.985, 0.96])
    return lit


def _hills(light: NDArray[np.float64], random: np.random.Generator, horizon: float) -> None:
    height, width = light.shape[:2]
    rows = np.arange(height)[:, None]
    for haze, tall, cells in ((0.72, 0.075, 4), (0.45, 0.045, 9)):
        ridge = _noise(random, (1, width), (1, cells), 6)[0] * 0.6 + 0.55
        body = (rows > horizon - tall * height * ridge) & (rows <= horizon)
        green = (
            np.array([0.045, 0.075, 0.035])
            * (0.8 + 0.5 * _noise(random, (height, width), (30, 60), 3))[..., None]
        )
        colour = haze * np.array([0.50, 0.58, 0.66]) + (1.0 - haze) * green
        light[body] = colour[body]


def _water(light: NDArray[np.float64], random: np.random.Generator, horizon: float) -> NDArray[np.float64]:
    height, width = light.shape[:2]
    top = int(horizon) + 1
    depth = np.arange(1, height - top + 1)[:, None] / (height - top)
    # Waves: noise stretched by perspective, smaller towards the horizon.
    flat = _noise(random, (height, width), (90, 24), 4)
    row = np.clip((height - 1) * (0.04 / (depth + 0.04)), 0, height - 1).astype(int)
    wave = flat[row, np.arange(width)[None]]
    mirrored = np.clip(
        top - 1 - (depth * (height - top) * 0.8 + wave * 26.0 * depth * height / 1080.0), 0, top - 1
    )
    reflected = light[mirrored.astype(int), np.arange(width)[None]]
    share = np.clip(0.75 - 0.45 * depth + 0.25 * wave, 0.15, 0.9)[..., None]
    light[top:] = share * reflected * np.array([0.85, 0.93, 0.95]) + (1.0 - share) * np.array(
        [0.02, 0.055, 0.06]
    )
    glitter = np.clip(wave - 0.42, 0.0, 1.0) * np.exp(-((np.arange(width)[None] / width - 0.78) ** 2) / 0.006)
    light[top:] += (6.0 * glitter * (1.0 - depth))[..., None] * np.array([1.0, 0.93, 0.8])
    return light


def _ship(light: NDArray[np.float64], horizon: float) -> None:
    height, width = light.shape[:2]
    unit = height * 0.012
    x, y = width * 0.5, horizon + 2.2 * unit
    _polygon(light, [(-16, -4), (15, -4), (18, -7), (16, 1), (-15, 1)], x, y, unit, (0.16, 0.022, 0.018))
    _polygon(light, [(-16, -4.4), (15, -4.4), (15, -4), (-16, -4)], x, y, unit, (0.6, 0.6, 0.58))
    _polygon(light, [(-13, -10), (-6, -10), (-6, -4.4), (-13, -4.4)], x, y, unit, (0.62, 0.62, 0.58))
    _polygon(light, [(-13, -9), (-6, -9), (-6, -8.2), (-13, -8.2)], x, y, unit, (0.04, 0.06, 0.08))
    _polygon(light, [(-11, -13.5), (-8.6, -13.5), (-8.6, -10), (-11, -10)], x, y, unit, (0.5, 0.17, 0.02))
    colours = ((0.24, 0.05, 0.02), (0.03, 0.10, 0.22), (0.30, 0.20, 0.03), (0.05, 0.16, 0.08))
    for column in range(7):
        for layer in range(2 + (column * 5) % 2):
            left, top = -5 + column * 2.7, -5.8 - 1.5 * layer
            box = [(left, top), (left + 2.5, top), (left + 2.5, top + 1.35), (left, top + 1.35)]
            _polygon(light, box, x, y, unit, colours[(column * 3 + layer) % len(colours)])


def _quay(light: NDArray[np.float64], random: np.random.Generator, horizon: float) -> None:
    """The quay in front: stones in perspective, lit from the right, boxes on it and a crane over them."""
    height, width = light.shape[:2]
    v, u = np.mgrid[0:height, 0:width] + 0.5
    edge = horizon + 0.10 * height + (0.62 * width - u) * -0.12 * height / width
    ground = (v > edge + 0.22 * height) | (
        (u < 0.34 * width) & (v > horizon + 0.03 * height + (0.34 * width - u) * 0.05)
    )
    far = np.maximum(v - horizon, 1.0)
    across, along = (u - width * 0.5) / far * 9.0, height * 7.0 / far
    joint = (np.abs(across % 1.0 - 0.5) > 0.47) | (np.abs(along % 1.0 - 0.5) > 0.465)
    stone = 0.27 + 0.05 * np.sin(np.floor(across) * 12.9 + np.floor(along) * 78.2)
    grain = _noise(random, (height, width), (80, 120), 4)
    # Joints far away are narrower than a pixel.
    near = np.clip(far / (0.2 * height), 0.0, 1.0)
    value = (0.25 + near * (np.where(joint, 0.10, stone) - 0.25)) * (1.0 + 0.35 * near * grain)
    colour = value[..., None] * np.array([1.0, 0.94, 0.84])
    light[ground] = colour[ground]
    unit = height * 0.05
    sides = (
        (0.26, 0.045, 0.02),
        (0.035, 0.11, 0.24),
        (0.33, 0.22, 0.035),
        (0.06, 0.17, 0.09),
        (0.22, 0.22, 0.21),
    )
    for number, (column, layer) in enumerate([(0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (0, 2)]):
        x, y = width * 0.03 + column * unit * 2.9, horizon + 0.20 * height - layer * unit * 1.3
        base = np.array(sides[(number * 2 + layer) % len(sides)])
        _polygon(light, [(0, 0), (2.4, 0), (2.4, -1.25), (0, -1.25)], x, y, unit, base)
        _polygon(light, [(2.4, 0), (2.8, -0.25), (2.8, -1.45), (2.4, -1.25)], x, y, unit, base * 1.9)
        _polygon(light, [(0, -1.25), (2.4, -1.25), (2.8, -1.45), (0.4, -1.45)], x, y, unit, base * 2.3)
        for rib in range(1, 12):
            a, b = rib * 0.2, rib * 0.2 + 0.05
            _polygon(light, [(a, -0.06), (b, -0.06), (b, -1.19), (a, -1.19)], x, y, unit, base * 0.62)
    x, y, steel = width * 0.27, horizon + 0.16 * height, (0.42, 0.13, 0.02)
    for part in (
        [(-0.1, 0), (0.1, 0), (0.7, -6), (0.5, -6)],
        [(1.3, 0), (1.5, 0), (0.8, -6), (0.6, -6)],
        [(-1.6, -5.9), (6.5, -7.7), (6.5, -7.5), (-1.6, -5.6)],
        [(0.55, -6), (0.75, -6), (0.75, -8.2), (0.55, -8.2)],
        [(0.6, -8.2), (5.4, -7.4), (5.4, -7.33), (0.6, -8.1)],
        [(4.5, -7.2), (4.55, -7.2), (4.55, -3.4), (4.5, -3.4)],
    ):
        _polygon(light, part, x, y, unit, steel)
    _polygon(light, [(3.6, -3.4), (5.5, -3.4), (5.5, -2.5), (3.6, -2.5)], x, y, unit, (0.05, 0.14, 0.28))


def _polygon(
    light: NDArray[np.float64],
    corners: Sequence[tuple[float, float]],
    x: float,
    y: float,
    unit: float,
    colour: ArrayLike,
) -> None:
    """Fill a polygon with soft edges; corners in units about (x, y), px."""
    height, width = light.shape[:2]
    points = [(x + a * unit, y + b * unit) for a, b in corners]
    left, top = (max(int(min(p[axis] for p in points)) - 2, 0) for axis in range(2))
    right = min(int(max(p[0] for p in points)) + 3, width)
    bottom = min(int(max(p[1] for p in points)) + 3, height)
    if right <= left or bottom <= top:
        return
    fine = Image.new("L", (4 * (right - left), 4 * (bottom - top)))
    ImageDraw.Draw(fine).polygon([(4 * (a - left), 4 * (b - top)) for a, b in points], fill=255)
    mask = np.asarray(
        fine.resize((right - left, bottom - top), Image.Resampling.BOX).filter(ImageFilter.GaussianBlur(0.4))
    )
    alpha = (mask / 255.0)[..., None]
    part = light[top:bottom, left:right]
    part *= 1.0 - alpha
    part += alpha * np.asarray(colour)
