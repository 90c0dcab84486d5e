"""Photographs of lit discs, exact by construction: each disc is a sum of points, each point a blurred
pixel sum.

No code is shared with what finds them. A disc is cut into points by a polar quadrature (Gauss-Legendre in
the square of the radius, even in the angle); each goes through the map, and its light, the determinant of the
map times its area, falls on pixels as the difference of two error functions along each axis.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array
from scipy.special import ndtr

from prewarp.capture.codes import all_words, assigned_names
from prewarp.capture.dots import dot_lattice

# Of a normal distribution: each photograph takes a stretch of it, which is quicker than drawing lots anew.
NOISE = np.random.default_rng(7).standard_normal(1 << 22, dtype=np.float32)


def quadrature(rings=6, spokes=20):
    """Return points of the unit disc (p, 2) and their areas (p,), which sum to pi."""
    node, weight = np.polynomial.legendre.leggauss(rings)
    radius = np.sqrt(0.5 * (node + 1.0))
    angle = (np.arange(spokes)[None, :] + 0.5 * np.arange(rings)[:, None]) * 2.0 * np.pi / spokes
    points = radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return points.reshape(-1, 2), np.repeat(weight * np.pi / 2.0 / spokes, spokes)


@dataclass
class Lens:
    """A map from panel px to photograph px: scale, turn, mirror, radial distortion, about the middle."""

    panel_px: tuple[float, float] = (1600.0, 1280.0)
    size_px: tuple[int, int] = (640, 512)
    scale: float = 0.36
    turn_deg: float = 0.0
    mirrored: bool = False
    k: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)

    def __call__(self, panel):
        """Return places (..., 2) of panel points; k is per (half the photograph's width)^2."""
        off = (np.asarray(panel) - np.array(self.panel_px) / 2.0) * self.scale
        if self.mirrored:
            off = off * [-1.0, 1.0]
        angle = np.radians(self.turn_deg)
        off = off @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        squared = np.sum(off**2, axis=-1, keepdims=True) / (self.size_px[0] / 2.0) ** 2
        return off * (1.0 + self.k * squared) + np.array(self.size_px) / 2.0 + self.shift_px

    def slopes(self, panel, step=1e-3):
        """Return d place / d panel (..., 2, 2) by central differences."""
        panel = np.asarray(panel, dtype=float)
        along = [(self(panel + d) - self(panel - d)) / (2.0 * step) for d in step * np.eye(2)]
        return np.stack(along, axis=-1)


@dataclass
class Scene:
    """What a camera sees of the dots of one panel. Light in electrons; `gain` electrons a code."""

    lens: Lens = field(default_factory=Lens)
    dots: tuple[int, int] = (17, 17)
    margin: float = 0.07
    radius_px: float = 8.0
    blur_px: float = 0.7
    bright_e: float = 9000.0
    read_e: float = 8.0
    gain: float = 4.0
    black: float = 100.0
    full_scale: float = 4095.0
    stray_e: float = 60.0
    ghost: float = 0.0
    ghost_px: tuple[float, float] = (0.0, 0.0)
    coma: float = 0.0
    # Coma is that of the panel's corner, and grows with this power of the distance from its middle.
    coma_power: int = 0
    seed: int = 0
    quadrature: tuple[int, int] = (6, 20)
    vignetting: float = 1.0
    number: int = 0
    named_by_size: bool = False

    def __post_init__(self):
        columns, rows = self.dots
        width, height = self.lens.panel_px
        u = np.round(np.linspace(self.margin, 1 - self.margin, columns) * width)
        v = np.round(np.linspace(self.margin, 1 - self.margin, rows) * height)
        self.panel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
        self.words = all_words()[assigned_names(columns, rows, self.number)].reshape(-1, 13)
        self.place = self.lens(self.panel)
        self.radii = np.full(len(self.panel), self.radius_px)
        if self.named_by_size:
            sizes = dot_lattice((2560, 2048), self.dots, named_by_size=True, number=self.number).radii
            self.radii = self.radius_px * sizes / sizes.min()
        self.strength = np.ones(len(self.panel))
        self.random = np.random.default_rng(self.seed)
        self._stamps = self._stamped(self.panel, np.zeros(2))
        self._ghosts = self._stamped(self.panel, np.array(self.ghost_px)) if self.ghost else None

    def _stamped(self, panel, shift):
        points, area = quadrature(*self.quadrature)
        radii = self.radii[:, None]
        at = panel[:, None, :] + points * radii[..., None]
        slopes = self.lens.slopes(at)
        light = np.abs(np.linalg.det(slopes)) * area * radii**2
        place = self.lens(at) + shift
        light = light * self.light_at(place)
        reach = int(
            np.ceil(np.abs(place - place.mean(axis=1, keepdims=True)).max() + 6.0 * self.blur_px + 1.0)
        )
        middle = np.floor(place.mean(axis=1)).astype(int)
        edge = np.arange(-reach, reach + 2)

        def along(axis, off, blur):
            """Return the light of each point in each pixel along one axis."""
            cut = ndtr((edge + middle[:, axis, None, None] - place[..., axis, None] - off) / blur)
            return np.diff(cut, axis=-1)

        # A tail to one side, of zero mean: two Gaussians of unequal weight.
        parts = [(1.0, 0.0, self.blur_px)]
        if self.coma:
            half = np.array(self.lens.panel_px) / 2.0
            out = np.linalg.norm(panel - half, axis=1) / np.linalg.norm(half)
            coma = (self.coma * out**self.coma_power)[:, None, None]
            parts = [(0.8, -0.25 * coma, self.blur_px), (0.2, coma, self.blur_px * 1.3)]
        stamp = 0.0
        for share, off, blur in parts:
            in_x, in_y = along(0, off, blur), along(1, 0.0, blur)
            stamp = stamp + share * np.matmul((in_y * light[..., None]).transpose(0, 2, 1), in_x)
        return stamp, middle, reach

    def light_at(self, place):
        """Return the share of light (...) that comes to places (..., 2); `vignetting` at the corners."""
        off = np.linalg.norm((place - np.array(self.lens.size_px) / 2.0) / self.lens.size_px, axis=-1)
        return self.vignetting ** (np.clip(off / np.hypot(0.5, 0.5), 0.0, 1.05) ** 4)

    def light(self, lit):
        """Return the expected electrons (rows, columns) with each dot lit by `lit` (n,), 0 to 1."""
        lit = np.asarray(lit, dtype=float)
        width, height = self.lens.size_px
        seen = self._pixels @ np.concatenate([lit * self.strength, lit])
        return seen.reshape(height, width) + self.stray_e * (0.3 + 0.7 * np.mean(lit))

    @cached_property
    def _pixels(self):
        """Electrons of each pixel by dot, then by ghost: a sparse matrix (pixels, 2 n)."""
        width, height = self.lens.size_px
        rows, columns, values = [], [], []
        for number, (stamps, part) in enumerate(((self._stamps, 1.0), (self._ghosts, self.ghost))):
            if stamps is None:
                continue
            stamp, middle, reach = stamps
            step = np.arange(-reach, reach + 1)
            x, y = (middle[:, axis, None] + step for axis in (0, 1))
            inside = ((y >= 0) & (y < height))[:, :, None] & ((x >= 0) & (x < width))[:, None, :]
            dot = np.broadcast_to(np.arange(len(stamp))[:, None, None] + number * len(stamp), stamp.shape)
            pixel = y[:, :, None] * width + x[:, None, :]
            for found, one in ((rows, pixel), (columns, dot), (values, part * self.bright_e * stamp)):
                found.append(np.broadcast_to(one, stamp.shape)[inside])
        shape = (width * height, 2 * len(self.panel))
        value, row, column = (np.concatenate(one) for one in (values, rows, columns))
        return csr_array((value, (row, column)), shape=shape)

    def exposed(self, electrons):
        """Return a photograph (uint16 codes) of expected electrons, with shot and read noise."""
        seen = electrons.astype(np.float32)
        spread = np.sqrt(seen + np.float32(self.read_e**2))
        start = self.random.integers(0, NOISE.size - seen.size)
        spread *= NOISE[start : start + seen.size].reshape(seen.shape)
        seen += spread
        seen *= np.float32(1.0 / self.gain)
        seen += np.float32(self.black)
        np.rint(seen, out=seen)
        return np.clip(seen, 0, self.full_scale, out=seen).astype(np.uint16)

    def frames(self, whole=1, change=None):
        """Return photographs: `whole` whole frames, then 13 code frames; `change(electrons, name)` alters."""
        change = change or (lambda electrons, name: electrons)
        names = [*(f"whole{k}" for k in range(whole)), *(f"code{k}" for k in range(13))]
        lits = [*(np.ones(len(self.panel)) for _ in range(whole)), *self.words.T.astype(float)]
        return [self.exposed(change(self.light(lit), name)) for name, lit in zip(names, lits, strict=True)]


@dataclass
class Faulty:
    """A scene with every fault at once; `cover` (rows, columns) is the share of light that is let through."""

    scene: Scene
    hidden_share: float = 0.04
    dust: int = 6
    islands: bool = True
    dead_column: int | None = None
    hot_pixels: int = 60
    seed: int = 0

    def __post_init__(self):
        random = np.random.default_rng([self.seed, 5])
        scene = self.scene
        width, height = scene.lens.size_px
        y, x = np.mgrid[0:height, 0:width] + 0.5
        cover = np.ones((height, width))
        for _ in range(self.dust):
            at, size = random.uniform([40, 40], [width - 40, height - 40]), random.uniform(2.0, 14.0)
            near = np.s_[int(at[1]) - 20 : int(at[1]) + 20, int(at[0]) - 20 : int(at[0]) + 20]
            cover[near] *= np.clip(np.hypot(x[near] - at[0], y[near] - at[1]) - size + 0.5, 0.0, 1.0)
        # A hair: a bent line right across.
        bend, tilt = random.uniform(-60, 60), random.uniform(-0.3, 0.3)
        line = height / 2 + tilt * (x - width / 2) + bend * ((x - width / 2) / width) ** 2 * 4
        cover *= np.clip(np.abs(y - line) - 1.2 + 0.5, 0.0, 1.0)
        if self.islands:
            gap = width * random.uniform(0.35, 0.65)
            cover *= np.clip(np.abs(x - gap) - 26.0, 0.0, 1.0)
        self.cover = cover
        self.random = random
        count = len(scene.panel)
        hidden = random.random(count) < self.hidden_share
        stamp, middle, reach = scene._stamps
        share, light = np.zeros(count), scene.light_at(scene.place)
        for k in range(count):
            i, j = middle[k]
            inside = reach <= i < width - reach and reach <= j < height - reach
            if inside:
                part = np.s_[j - reach : j + reach + 1, i - reach : i + reach + 1]
                share[k] = np.sum(stamp[k] * cover[part]) / stamp[k].sum()
        self.light = np.where(hidden, 0.0, light)
        self.covered = np.where(hidden, 1.0, 1.0 - share)
        stamp[hidden] = 0.0
        self.hot = random.integers([0, 0], [height, width], (self.hot_pixels, 2))

    def frames(self, whole=1):
        """Return photographs with all faults."""

        def change(electrons, name):
            seen = electrons * self.cover
            seen[self.hot[:, 0], self.hot[:, 1]] += 3000.0
            if self.dead_column is not None:
                seen[:, self.dead_column] = 0.0
            return np.maximum(seen, 0.0)

        return self.scene.frames(whole, change)
