"""A unit in closed form, its package and module, and captures of it with faults of known size."""

from dataclasses import replace

import numpy as np

from prewarp.grids import Grid, grid_from_samples
from tests.export.device_builds import (
    SIZE,
    SmallMatch,
    chebyshev_lookup,
    small_build,
    small_fields,
    write_small,
)

MODULE = """
name = "test unit"
[eye_box]
half_x_mm = 3.0
half_y_mm = 2.0
half_z_mm = 1.0
[content]
projection = "flat"
width_px = 400
height_px = 250
field_x_deg = 80.0
[color.R]
wavelength_nm = 630.0
[color.G]
wavelength_nm = 532.0
[color.B]
wavelength_nm = 460.0
"""
CHANNEL = """
[channel.{name}]
eye = "right"
[channel.{name}.panel]
width_px = 320
height_px = 240
pitch_um = 8.0
encoding = "{encoding}"
bit_depth = 8
[channel.{name}.reach]
dir_x_deg = [{low}, {high}]
dir_y_deg = [-16.0, 16.0]
"""
LIMITS = """
[limits]
place_px = 0.5
place_arcmin = 4.0
seam_error_p95_arcmin = 4.0
luminance_step_percent = 5.0
"""
PUPILS = np.array(
    [[x, y, 0.4 * (-1.0) ** (i + j)] for i, x in enumerate((-2.0, 2.0)) for j, y in enumerate((-1.5, 1.5))]
)


def module_text(limits: str = LIMITS) -> str:
    """Return the module file of the unit."""
    left = CHANNEL.format(name="left", encoding="srgb", low=-36, high=6)
    right = CHANNEL.format(name="right", encoding="power", low=-6, high=36)
    return MODULE + left + right.replace("bit_depth", "gamma = 2.2\nbit_depth") + limits


def package(folder):
    """Write the unit's package, with gains."""
    write_small(
        folder, build=small_build(matched=True), lookup=chebyshev_lookup(matched=True), formats=("lookup",)
    )
    return folder


def capture(
    *, noise_px: float = 0.02, seed: int = 1, pupils=PUPILS, dots: int = 9, colours=("R", "G", "B"), near=1.0
) -> Grid:
    """Return a fresh capture of the unit as it was fitted: what is seen of a lattice of dots, with noise.

    `near`: the right channel's image is so many times as near.
    """
    random = np.random.default_rng(seed)
    width, height = SIZE
    u, v = np.meshgrid(np.linspace(8, width - 8, dots), np.linspace(8, height - 8, dots))
    pixel = np.stack([u, v], axis=-1).reshape(-1, 2)
    parts: dict[str, list] = {
        name: [] for name in ("channel", "colour", "pupil", "tangent", "pixel", "light")
    }
    for channel in ("left", "right"):
        for colour in colours:
            own = small_fields().field(channel, colour)
            if channel == "right":
                own = replace(own, distance_m=own.distance_m / near)
            for pupil in pupils:
                seen = pixel + noise_px * random.standard_normal(pixel.shape)
                parts["tangent"].append(own.forward(seen, pupil_mm=pupil))
                parts["pixel"].append(pixel)
                parts["pupil"].append(np.broadcast_to(pupil, (len(pixel), 3)))
                parts["channel"].append(np.full(len(pixel), channel))
                parts["colour"].append(np.full(len(pixel), colour))
                gain = SmallMatch().gain(channel, colour, pixel, None, pupil_mm=pupil)
                parts["light"].append(1.0 / np.broadcast_to(gain, len(pixel)))
    joined = {name: np.concatenate(arrays) for name, arrays in parts.items()}
    return grid_from_samples(
        channel=joined["channel"],
        colour=joined["colour"],
        pupil_mm=joined["pupil"],
        tangent=joined["tangent"],
        pixel=joined["pixel"],
        luminance=joined["light"],
        source="fresh",
    )


def moved(grid: Grid, step_px, *, channel: str | None = None) -> Grid:
    """Return a unit whose dots, of a channel or of all, are seen where those `step_px` beside are meant."""
    tangent = grid.tangent.copy()
    for number, name in enumerate(grid.channel_names):
        for code, colour in enumerate(grid.colour_names):
            mine = (grid.channel == number) & (grid.colour == code) & (channel in (None, name))
            if mine.any():
                own = small_fields().field(name, colour)
                point = own.inverse(grid.tangent[mine], pupil_mm=grid.pupil_mm[mine], margin_px=50.0).pixel
                tangent[mine] = own.forward(point + np.asarray(step_px), pupil_mm=grid.pupil_mm[mine])
    return replace(grid, tangent=tangent, direction_deg=None)


def renamed(grid: Grid, names: dict[str, str]) -> Grid:
    """Return a grid whose channels have other names."""
    return replace(grid, channel_names=tuple(names.get(name, name) for name in grid.channel_names))
