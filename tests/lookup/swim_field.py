"""A smooth field of 2560 px with pupil swim, in closed form, with the face of `Field` and `FieldSet`.

Made to be as hard as the field on which tables were first chosen by hand. Panel px, pupil at the middle or in
a box of 10 x 8 x 4 mm: bilinear meshes leave 3.6 px at 33 x 33 and 0.9 at 65 x 65, a cubic B-spline 0.8 at
17 x 17 and 0.06 at 33 x 33; trilinear pupil interpolation leaves 2.9 px on 5 x 5 x 3, 0.2 on 17 x 17 x 7, a
polynomial through the former 0.05 (`test_swim_field.py` holds it to that). A ray does not bend:
t = f(u, v, x - z tx, y - z ty).
"""

from dataclasses import dataclass

import numpy as np

from tests.closed_form import PlaneSet

BOX_MM = np.array([[-5.0, -4.0, -2.0], [5.0, 4.0, 2.0]])


@dataclass(frozen=True)
class SwimField:
    """One channel and colour; `sign` mirrors terms, so that channels differ; `enlarged`: lateral colour."""

    channel: str = "one"
    colour: str = "G"
    sign: float = 1.0
    enlarged: float = 0.0
    panel_size_px: tuple[int, int] = (2560, 2560)

    def _direction(self, a, b, x, y):
        """Direction from z = 0; a, b: panel on -1 to 1; x, y: pupil in units of 5 mm."""
        g = self.sign
        r2 = a * a + b * b
        scale = (1.0 + self.enlarged) * (1.0 + 0.12 * r2) / (1.0 + g * 0.04 * a - 0.03 * b)
        wave = 0.048 * np.sin(6.4 * a + 0.4 * g) * np.cos(6.4 * b)
        other = 0.048 * np.cos(6.4 * b - 0.3) * np.sin(6.4 * a)
        tx = 0.42 * (a * scale + g * 0.012 * (r2 + 2.0 * a * a) + wave)
        ty = -0.42 * (b * scale - 0.020 * a * b * g + other)
        # Gradient of a wavefront over the pupil: power, astigmatism, coma, spherical aberration, and a wave.
        power = 0.003 * (1.0 + 0.5 * r2 + 0.2 * g * a)
        straight, crossed = 0.0008 * (a * a - b * b), 0.0016 * a * b
        coma_x = 0.001 * (a + 0.3 * a * r2 + 0.2 * g)
        coma_y = 0.001 * (-b - 0.3 * b * r2 + 0.1)
        spherical = 0.0005 * (1.0 + r2) * np.exp(0.5 * g * a - 0.3 * b)
        p2, along = x * x + y * y, coma_x * x + coma_y * y
        swell = 0.00017 * np.exp(0.5 * y - 0.3 * b)
        wx = (power + straight) * x + crossed * y + coma_x * p2 + 2 * along * x + spherical * p2 * x
        wy = (power - straight) * y + crossed * x + coma_y * p2 + 2 * along * y + spherical * p2 * y
        wx = wx + swell * np.cos(0.8 * x + a)
        wy = wy + 0.625 * swell * np.sin(0.8 * x + a)
        return np.stack([tx - wx, ty - wy], axis=-1)

    def forward(self, pixel, /, *, pupil_mm):
        pixel, pupil = np.asarray(pixel, float), np.asarray(pupil_mm, float)
        a, b = (pixel[..., axis] * 2.0 / self.panel_size_px[axis] - 1.0 for axis in range(2))
        a, b, x, y, z = np.broadcast_arrays(a, b, pupil[..., 0], pupil[..., 1], pupil[..., 2])
        tangent = self._direction(a, b, x / 5.0, y / 5.0)
        for _ in range(30):
            before = tangent
            tangent = self._direction(a, b, (x - z * before[..., 0]) / 5.0, (y - z * before[..., 1]) / 5.0)
            if np.abs(tangent - before).max() < 1e-14:
                break
        return tangent

    def forward_lattice(self, u, v, /, *, pupil_mm):
        return self.forward(np.stack(np.meshgrid(u, v), axis=-1), pupil_mm=pupil_mm)


def swim_set(channels=(("inner", 1.0), ("outer", -1.0)), panel_size_px=(2560, 2560)):
    """Return the six maps; red is drawn 0.4 per cent larger than green, blue 0.5 per cent smaller."""
    return PlaneSet(
        {
            (channel, colour): SwimField(channel, colour, sign, enlarged, panel_size_px)
            for channel, sign in channels
            for colour, enlarged in (("G", 0.0), ("R", 0.004), ("B", -0.005))
        }
    )
