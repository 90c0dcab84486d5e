"""A display in closed form, as outside truth for tests: each panel point is imaged to one point of a plane.

Panel point -> plane point (radial and decentring distortion, keystone), plane at `distance_m` across the
channel's axis, channel turned by `yaw_deg`. All rays of one panel point meet in its image point, so direction
from any pupil is exact geometry: t = (X - e_xy) / (X_z - e_z). Shares no code with prewarp beyond the grid
type.
"""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.grids import Grid, grid_from_samples

COLOUR_SCALE = {"R": 1.004, "G": 1.0, "B": 0.995}  # lateral colour


@dataclass(frozen=True)
class PlaneImage:
    """One channel and colour. Coordinates p = (u - cu, cv - v) / focal, distorted, then keystone."""

    size_px: tuple[int, int] = (2560, 2560)
    focal_px: float = 3000.0
    distance_m: float = 1.5
    yaw_deg: float = 0.0
    radial: tuple[float, float] = (-0.12, 0.03)
    decentring: tuple[float, float] = (0.004, -0.003)
    keystone: tuple[float, float] = (0.03, -0.05)
    colour_scale: float = 1.0
    u_backwards: bool = False

    def plane(self, pixel: np.ndarray) -> np.ndarray:
        """Return (..., 2) image points on the plane, as tangents from the centre in the channel's frame."""
        width, height = self.size_px
        u = width - pixel[..., 0] if self.u_backwards else pixel[..., 0]
        x = (u - width / 2) / self.focal_px
        y = (height / 2 - pixel[..., 1]) / self.focal_px
        r2 = x * x + y * y
        gain = 1 + self.radial[0] * r2 + self.radial[1] * r2 * r2
        p1, p2 = self.decentring
        px = x * gain + p1 * (r2 + 2 * x * x) + 2 * p2 * x * y
        py = y * gain + p2 * (r2 + 2 * y * y) + 2 * p1 * x * y
        scale = self.colour_scale / (1 + self.keystone[0] * x + self.keystone[1] * y)
        return np.stack([px * scale, py * scale], axis=-1)


def _turn(yaw_deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def plane_image_forward(pixel, pupil_mm, display: PlaneImage) -> np.ndarray:
    """Return tangents (..., 2) of panel points (..., 2) seen from pupils (..., 3); exact."""
    plane = display.plane(np.asarray(pixel, float))
    point = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1) * display.distance_m * 1000.0
    ray = point @ _turn(display.yaw_deg).T - np.asarray(pupil_mm, float)
    return ray[..., :2] / ray[..., 2:]


def plane_image_inverse(tangent, pupil_mm, display: PlaneImage) -> np.ndarray:
    """Return panel points (..., 2) by Newton's method to 1e-9 px; NaN where it does not converge."""
    tangent, pupil = np.asarray(tangent, float), np.asarray(pupil_mm, float)
    turn = _turn(display.yaw_deg)
    direction = np.concatenate([tangent, np.ones((*tangent.shape[:-1], 1))], axis=-1) @ turn
    start = pupil @ turn
    along = (display.distance_m * 1000.0 - start[..., 2:]) / direction[..., 2:]
    wanted = (start + along * direction)[..., :2] / (display.distance_m * 1000.0)
    width, height = display.size_px
    sign = -1.0 if display.u_backwards else 1.0
    pixel = np.array([width / 2, height / 2]) + wanted * display.focal_px * np.array([sign, -1.0])
    places, aims = pixel.reshape(-1, 2), wanted.reshape(-1, 2)
    step, moving = 1e-2, np.arange(len(places))
    for _ in range(40):
        place = places[moving]
        error = display.plane(place) - aims[moving]
        du = (display.plane(place + [step, 0]) - display.plane(place - [step, 0])) / (2 * step)
        dv = (display.plane(place + [0, step]) - display.plane(place - [0, step])) / (2 * step)
        determinant = du[..., 0] * dv[..., 1] - du[..., 1] * dv[..., 0]
        change_u = (error[..., 0] * dv[..., 1] - error[..., 1] * dv[..., 0]) / determinant
        change_v = (error[..., 1] * du[..., 0] - error[..., 0] * du[..., 1]) / determinant
        places[moving] = place - np.stack([change_u, change_v], axis=-1)
        moving = moving[np.hypot(change_u, change_v) > 1e-9]
        if not len(moving):
            break
    pixel = places.reshape(pixel.shape)
    converged = np.abs(display.plane(pixel) - wanted).max(axis=-1) * display.focal_px < 1e-8
    return np.where(converged[..., None], pixel, np.nan)


def two_channels(**changes) -> dict[str, PlaneImage]:
    """Return an inner and an outer channel turned by +-15 degrees, differently distorted, at one distance."""
    base = replace(PlaneImage(), **changes)
    return {
        "inner": replace(base, yaw_deg=base.yaw_deg - 15.0),
        "outer": replace(base, yaw_deg=base.yaw_deg + 15.0, radial=(-0.09, 0.02), keystone=(-0.04, 0.03)),
    }


def pupil_lattice(count: int = 5, half_mm: float = 4.0, depths_mm: tuple[float, ...] = (0.0,)) -> np.ndarray:
    """Return (count * count * depths, 3) pupil positions; count 1 gives the centre."""
    axis = np.linspace(-half_mm, half_mm, count) if count > 1 else np.zeros(1)
    z, y, x = np.meshgrid(np.asarray(depths_mm), axis, axis, indexing="ij")
    return np.stack([x.ravel(), y.ravel(), z.ravel()], axis=-1)


def make_grid(
    kind: str = "panel",
    *,
    noise_px: float = 0.0,
    seed: int = 0,
    points: int = 17,
    pupils: np.ndarray | None = None,
    channels: dict[str, PlaneImage] | None = None,
    colours: tuple[str, ...] = ("R", "G", "B"),
) -> Grid:
    """Return a grid of the closed-form display.

    `kind`: "panel" one lattice on the panel for every pupil, noise in the direction; "direction" one lattice
    in direction per channel, points off the panel left out, noise in the panel point; "scattered" other
    random panel points for every pupil, noise in the panel point.
    """
    random = np.random.default_rng(seed)
    pupils = pupil_lattice() if pupils is None else pupils
    parts: dict[str, list[np.ndarray]] = {
        name: [] for name in ("channel", "colour", "pupil", "tangent", "pixel")
    }
    for channel, base in (two_channels() if channels is None else channels).items():
        for colour in colours:
            display = replace(base, colour_scale=COLOUR_SCALE[colour])
            for pupil in pupils:
                tangent, pixel = _samples(kind, display, pupil, points, noise_px, random)
                parts["tangent"].append(tangent)
                parts["pixel"].append(pixel)
                parts["pupil"].append(np.broadcast_to(pupil, (len(pixel), 3)))
                parts["channel"].append(np.full(len(pixel), channel))
                parts["colour"].append(np.full(len(pixel), colour))
    joined = {name: np.concatenate(arrays) for name, arrays in parts.items()}
    return grid_from_samples(
        channel=joined["channel"],
        colour=joined["colour"],
        pupil_mm=joined["pupil"],
        tangent=joined["tangent"],
        pixel=joined["pixel"],
        source=f"synthetic {kind}",
    )


def _samples(kind, display, pupil, points, noise_px, random):
    width, height = display.size_px
    if kind == "direction":
        half = np.degrees(np.arctan(0.45 * width / display.focal_px))
        axis = np.linspace(-half, half, points)
        dir_x, dir_y = np.meshgrid(axis + display.yaw_deg, axis)
        tangent = np.tan(np.radians(np.stack([dir_x.ravel(), dir_y.ravel()], axis=-1)))
        pixel = plane_image_inverse(tangent, pupil, display)
        on_panel = (
            np.isfinite(pixel).all(axis=-1)
            & (pixel > 0).all(axis=-1)
            & (pixel < display.size_px).all(axis=-1)
        )
        tangent, pixel = tangent[on_panel], pixel[on_panel]
        return tangent, pixel + noise_px * random.normal(size=pixel.shape)
    if kind == "panel":
        u, v = np.meshgrid(np.linspace(40, width - 40, points), np.linspace(40, height - 40, points))
        pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
        seen = pixel + noise_px * random.normal(size=pixel.shape)
        return plane_image_forward(seen, pupil, display), pixel
    if kind == "scattered":
        pixel = random.uniform(10, [width - 10, height - 10], size=(points * points, 2))
        return plane_image_forward(pixel, pupil, display), pixel + noise_px * random.normal(size=pixel.shape)
    raise ValueError(f"kind {kind!r}")


def spoil(grid: Grid, seed: int) -> tuple[Grid, set[int]]:
    """Return the grid with 0.05 px of noise, 0.5 % outliers of 5 to 20 px and 2 % missing points; the
    outliers' rows."""
    random = np.random.default_rng(seed)
    pixel = grid.pixel + random.normal(0.0, 0.05, grid.pixel.shape)
    bad = random.random(len(pixel)) < 0.005
    angle, length = random.uniform(0, 2 * np.pi, len(pixel)), random.uniform(5.0, 20.0, len(pixel))
    pixel[bad] += (np.stack([np.cos(angle), np.sin(angle)], axis=-1) * length[:, None])[bad]
    pixel[random.random(len(pixel)) < 0.02] = np.nan
    rows = np.flatnonzero(bad & np.isfinite(pixel).all(axis=1)) + 1
    return replace(grid, pixel=pixel), set(rows.tolist())
