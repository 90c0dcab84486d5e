"""Channels with a closed form both ways, with the face of `Field` and `FieldSet`.

Each channel images its panel on a plane at right angles to straight ahead, `distance_m` in front of the
eye-box centre: panel point -> turned, scaled and shifted -> radial division model -> projective map -> point
(X, Y) of the plane. Seen from a pupil at (x, y, z) mm that point lies in the direction ((X - x) / (L - z), (Y
- y) / (L - z)). Nothing here is fitted, and nothing is shared with the code under test.
"""

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np


@dataclass(frozen=True)
class PlaneChannel:
    """One channel and colour; `keystone`, `division` distort, `centre`, `half_width` are tangents at the
    plane."""

    channel: str
    colour: str = "G"
    panel_size_px: tuple[int, int] = (640, 480)
    distance_m: float = 1.5
    centre: tuple[float, float] = (0.0, 0.0)
    half_width: float = 0.4
    turn_deg: float = 0.0
    division: float = 0.0
    keystone: tuple[float, float] = (0.0, 0.0)
    u_backwards: bool = False

    @property
    def lit(self):
        return ()

    @property
    def border_pixel(self):
        width, height = self.panel_size_px
        return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])

    def depth_px(self, pixel, /, *, pupil_mm):
        return np.minimum(pixel, np.array(self.panel_size_px) - pixel).min(axis=-1)

    @property
    def _turn(self):
        angle = np.radians(self.turn_deg)
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    @property
    def _scale(self):
        sign = -1.0 if self.u_backwards else 1.0
        return np.array([sign, -1.0]) / (self.panel_size_px[0] / 2.0)

    def _plane_from_pixel(self, pixel):
        a = (np.asarray(pixel, float) - np.asarray(self.panel_size_px) / 2.0) * self._scale
        b = a / (1.0 + self.division * np.sum(a * a, axis=-1, keepdims=True))
        c = b / (1.0 + b @ np.asarray(self.keystone))[..., None]
        return (self.half_width * (c @ self._turn.T) + self.centre) * self.distance_m * 1000.0

    def _pixel_from_plane(self, plane):
        c = ((plane / (self.distance_m * 1000.0) - self.centre) / self.half_width) @ self._turn
        b = c / (1.0 - c @ np.asarray(self.keystone))[..., None]
        squared = np.sum(b * b, axis=-1, keepdims=True)
        root = np.sqrt(np.maximum(1.0 - 4.0 * self.division * squared, 0.0))
        a = b * 2.0 / (1.0 + root)
        return a / self._scale + np.asarray(self.panel_size_px) / 2.0

    def forward(self, pixel, /, *, pupil_mm):
        pupil = np.asarray(pupil_mm, float)
        return (self._plane_from_pixel(pixel) - pupil[..., :2]) / (self.distance_m * 1000.0 - pupil[..., 2:])

    def forward_from_all(self, pixel, /, *, pupils_mm):
        return self.forward(np.asarray(pixel, float)[None], pupil_mm=np.asarray(pupils_mm, float)[:, None])

    def inverse(self, tangent, /, *, pupil_mm, tolerance_px=1e-9, margin_px=0.0):
        pupil = np.asarray(pupil_mm, float)
        plane = np.asarray(tangent, float) * (self.distance_m * 1000.0 - pupil[..., 2:]) + pupil[..., :2]
        pixel = self._pixel_from_plane(plane)
        valid = np.all((pixel >= -margin_px) & (pixel <= np.array(self.panel_size_px) + margin_px), axis=-1)
        return SimpleNamespace(pixel=np.where(valid[..., None], pixel, np.nan), valid=valid, iterations=1)

    def jacobian(self, pixel, /, *, pupil_mm):
        step = 1e-3
        columns = [
            (self.forward(pixel + d, pupil_mm=pupil_mm) - self.forward(pixel - d, pupil_mm=pupil_mm))
            / (2 * step)
            for d in (np.array([step, 0.0]), np.array([0.0, step]))
        ]
        return np.stack(columns, axis=-1)

    def pupil_jacobian(self, pixel, /, *, pupil_mm):
        shape = np.broadcast_shapes(np.shape(pixel)[:-1], np.shape(pupil_mm)[:-1])
        depth = self.distance_m * 1000.0 - np.asarray(pupil_mm, float)[..., 2]
        scale = np.broadcast_to(-1.0 / depth, shape)[..., None, None] * np.eye(2)
        return np.where(np.isfinite(np.asarray(pixel, float)).all(axis=-1)[..., None, None], scale, np.nan)

    def forward_lattice(self, u, v, /, *, pupil_mm):
        return self.forward(np.stack(np.meshgrid(u, v), axis=-1), pupil_mm=pupil_mm)


@dataclass(frozen=True)
class PlaneSet:
    """Channels and colours with the face of a `FieldSet`."""

    fields: dict = field(default_factory=dict)
    captured: dict = field(default_factory=dict)

    @property
    def channels(self):
        return tuple(dict.fromkeys(channel for channel, _ in self.fields))

    @property
    def colours(self):
        return tuple(dict.fromkeys(colour for _, colour in self.fields))

    def field(self, channel, colour):
        return self.fields[channel, colour]


def plane_set(*channels, colours=("R", "G", "B")):
    """Return the channels in several colours; red is 0.3 per cent larger than green, blue as much smaller."""
    sizes = dict(zip(("R", "G", "B"), (1.003, 1.0, 0.997), strict=True))
    return PlaneSet(
        {
            (c.channel, colour): replace(c, colour=colour, half_width=c.half_width * sizes[colour])
            for c in channels
            for colour in colours
        }
    )


def two_channels(panel_size_px=(640, 480), distance_m=(1.5, 1.5)):
    """Two channels side by side, differently turned, bent and keystoned; they overlap by some 9 degrees."""
    left = PlaneChannel(
        "left", panel_size_px=panel_size_px, distance_m=distance_m[0], centre=(-0.28, 0.01), half_width=0.36,
        turn_deg=1.5, division=0.06, keystone=(0.03, -0.02),
    )  # fmt: skip
    right = PlaneChannel(
        "right", panel_size_px=panel_size_px, distance_m=distance_m[1], centre=(0.28, -0.01), half_width=0.36,
        turn_deg=-2.0, division=-0.04, keystone=(-0.04, 0.03),
    )  # fmt: skip
    return left, right


EYE_BOX_CORNERS = np.stack(
    np.meshgrid([-4.0, 4.0], [-3.0, 3.0], [-2.0, 2.0], indexing="ij"), axis=-1
).reshape(-1, 3)
