"""Luminance in closed form for the closed-form channels, sharing nothing with the maps tested.

Brightness falls off from a point of the panel that moves with the pupil, as a panel's cone of light does
behind a lens; the two channels differ by a quarter and in colour. Luminance along a ray does not change: only
where the ray crosses z = 0 counts.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.grids import grid_from_samples
from tests.closed_form import plane_set, two_channels

SIZE = (1600, 640)
LEVEL = {
    "left": {"R": 0.92, "G": 0.97, "B": 0.88},
    "right": {"R": 0.78, "G": 0.72, "B": 0.80},
}
MEASURED_AXIS = (-4.0, -2.0, 0.0, 2.0, 4.0)


@dataclass(frozen=True)
class TrueLuminance:
    """`vignetted`: the left channel fades over some 60 px at a line that moves with the pupil."""

    channel: str
    colour: str
    vignetted: bool = False

    def at(self, pixel, tangent, *, pupil_mm):
        pixel, pupil = np.asarray(pixel, float), np.asarray(pupil_mm, float)
        x, y = np.moveaxis(pupil[..., :2] - pupil[..., 2:] * np.asarray(tangent), -1, 0)
        u, v = (np.clip(pixel[..., axis] / SIZE[axis], 0.0, 1.0) * 2.0 - 1.0 for axis in range(2))
        side = 1.0 if self.channel == "left" else -1.0
        across = u - 0.06 * x + 0.2 * side
        light = LEVEL[self.channel][self.colour] / (1.0 + 0.25 * across**2 + 0.15 * (v + 0.05 * y) ** 2)
        if self.vignetted and self.channel == "left":
            edge = 1480.0 - 15.0 * x - 0.1 * (pixel[..., 1] - 320.0)
            light = light * 0.5 * (1.0 - np.tanh((pixel[..., 0] - edge) / 30.0))
        return light


@dataclass(frozen=True)
class TrueMaps:
    vignetted: bool = False

    def map(self, channel, colour):
        return TrueLuminance(channel, colour, self.vignetted)


def measured_grid(
    *, noise=0.003, seed=5, colours=("R", "G", "B"), vignetted=False, points=(15, 9), depth_mm=(0.0,)
):
    """Return a grid of luminances with Gaussian noise (a share of full light) at 25 pupil positions."""
    random = np.random.default_rng(seed)
    fields, truth = plane_set(*two_channels(SIZE), colours=colours), TrueMaps(vignetted)
    u, v = np.meshgrid(np.linspace(20, SIZE[0] - 20, points[0]), np.linspace(20, SIZE[1] - 20, points[1]))
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    z, y, x = np.meshgrid(depth_mm, MEASURED_AXIS, MEASURED_AXIS, indexing="ij")
    pupils = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=-1)[:, None]
    parts = {name: [] for name in ("channel", "colour", "pupil_mm", "tangent", "pixel", "luminance")}
    for (channel, colour), field in fields.fields.items():
        tangent = field.forward(pixel, pupil_mm=pupils)
        light = truth.map(channel, colour).at(pixel, tangent, pupil_mm=pupils)
        count = light.size
        parts["channel"].append(np.full(count, channel))
        parts["colour"].append(np.full(count, colour))
        parts["pupil_mm"].append(np.broadcast_to(pupils, (*light.shape, 3)).reshape(-1, 3))
        parts["tangent"].append(tangent.reshape(-1, 2))
        parts["pixel"].append(np.broadcast_to(pixel, (*light.shape, 2)).reshape(-1, 2))
        parts["luminance"].append(light.ravel() + noise * random.normal(size=count))
    return grid_from_samples(**{name: np.concatenate(arrays) for name, arrays in parts.items()})
