"""Photographs of shifted sines through the lens of a scene of discs, by its inverse map: no code is shared
with what draws or reads them.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from prewarp.capture.plan import Photograph
from prewarp.capture.sines import Sines
from tests.capture.discs import Lens, Scene

SINES = Sines((800, 640), (32, 33), 8)
LENS = Lens(panel_px=(800.0, 640.0), size_px=(320, 256), k=0.1, turn_deg=3.0, scale=0.34)
EXPOSURE_MS = 20.0


def panel_of(lens, place):
    """Return the panel points that places (..., 2) of the photograph show."""
    panel = np.full(place.shape, np.array(lens.panel_px) / 2.0)
    for _ in range(6):
        panel = panel + np.linalg.solve(lens.slopes(panel), (place - lens(panel))[..., None])[..., 0]
    return panel


@dataclass
class SineScene:
    """Sines beside the dots of a scene. `gamma`: of an encoding that the pictures do not know of; `ghost`:
    light of a second picture, `ghost_px` aside; `moved_px`: how far the picture has moved since the dots.
    """

    scene: Scene
    gamma: float = 1.0
    ghost: float = 0.0
    ghost_px: tuple[float, float] = (0.0, 0.0)
    moved_px: tuple[float, float] = (0.0, 0.0)
    noisy: bool = True

    def __post_init__(self):
        width, height = self.scene.lens.size_px
        x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
        place = np.stack([x, y], axis=-1) - self.moved_px
        self.own = panel_of(self.scene.lens, place)
        self.other = panel_of(self.scene.lens, place - self.ghost_px) if self.ghost else None
        self.taken = {}

    def photograph(self, step):
        """Return the photograph of a step of the plan, the same each time."""
        if step not in self.taken:
            self.taken[step] = self._photograph(step)
        return self.taken[step]

    def _photograph(self, step):
        axis, period, shift = SINES.of_step(step)
        scene = self.scene
        turn = 2.0 * np.pi / SINES.periods_px[period]
        light = self._light(self.own[..., axis] * turn, shift)
        if self.other is not None:
            light = light + self.ghost * self._light(self.other[..., axis] * turn, shift)
        # A pixel is as wide as a Gaussian of this variance.
        seen = gaussian_filter(light, np.sqrt(scene.blur_px**2 + 1.0 / 12.0), mode="nearest", truncate=6.0)
        electrons = scene.bright_e * seen
        if not self.noisy:
            return np.round(electrons / scene.gain + scene.black).astype(np.uint16)
        return scene.exposed(electrons)

    def _light(self, phase, shift):
        return (0.5 + 0.45 * np.cos(phase - 2.0 * np.pi * shift)) ** self.gamma

    def rows(self, steps=range(SINES.steps)):
        """Return rows of a plan, one a step."""
        return [
            Photograph(
                k,
                "p0",
                "bench",
                "inner",
                "G",
                "sine",
                k,
                "inner/sine.png",
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                4.0,
                EXPOSURE_MS,
                f"sine-{k}.png",
            )  # fmt: skip
            for k in steps
        ]

    def read(self, row):
        """Return the values of a row's photograph."""
        return self.photograph(row.step)
