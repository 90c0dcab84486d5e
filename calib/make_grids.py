"""Trace the demo designs to the grids beside this file: `python calib/make_grids.py` (a few seconds).

Free of noise; panel points are rounded to 1e-4 px and luminance to 1e-5. `luminance` is the brightness that
the design states for the panel and colour, times cos(ray to panel normal) ** emission_power.
"""

import argparse
from pathlib import Path

import numpy as np

from prewarp.checks import FloatArray
from prewarp.grids import Grid, grid_from_samples, write_grid
from prewarp.module import DisplayModule, read_module
from prewarp.trace import Design, reach_lattice, read_design, trace_samples

HERE = Path(__file__).resolve().parent
NAMES = ("coaxial", "folded")
# Pupil positions along x and y in the middle plane of the eye box, and on its two end planes (z).
PUPILS_MIDDLE, PUPILS_ENDS = (5, 5), (3, 3)
DIRECTIONS = (21, 19)
# Beyond the nominal reach: up to just within the sides of the panel, and past its slanting (keystone) top and
# bottom.
MARGIN_DEG = (0.5, 7.0)


def demo(name: str, /) -> tuple[DisplayModule, Design]:
    """Return the module and the design of a demo."""
    return read_module(HERE / f"{name}.module.toml"), read_design(HERE / f"{name}.design.toml")


def pupil_positions(module: DisplayModule, /) -> FloatArray:
    """Return the pupil positions (n, 3) mm of a demo grid: dense in the middle plane, fewer at both ends."""
    box = module.eye_box
    return np.concatenate([box.lattice((*PUPILS_MIDDLE, 1)), box.lattice((*PUPILS_ENDS, 2))])


def demo_grid(
    module: DisplayModule, design: Design, pupils: FloatArray, /, *, directions: tuple[int, int] = DIRECTIONS
) -> tuple[Grid, dict[str, dict[str, int]]]:
    """Return the rounded grid from pupils (n, 3) mm over a little more than the reach, and the rays lost."""
    traced = trace_samples(
        design,
        module,
        pupils=pupils,
        directions={
            channel.name: reach_lattice(channel, directions, margin_deg=MARGIN_DEG)
            for channel in module.channels
        },
    )
    grid = traced.grid
    rounded = grid_from_samples(
        channel=np.array(grid.channel_names)[grid.channel],
        colour=np.array(grid.colour_names)[grid.colour],
        pupil_mm=grid.pupil_mm,
        tangent=grid.tangent,
        pixel=np.round(grid.pixel, 4),
        luminance=np.round(grid.luminance, 5),
    )
    return rounded, {channel: dict(counts) for channel, counts in traced.lost.items()}


def main() -> None:
    """Write both grids and say what was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("-o", "--output", type=Path, default=HERE, help="folder to write to (default: calib)")
    folder = parser.parse_args().output
    for name in NAMES:
        module, design = demo(name)
        grid, lost = demo_grid(module, design, pupil_positions(module))
        path = folder / f"{name}.grid.npz"
        write_grid(path, grid)
        print(f"{path}: {len(grid)} samples, {path.stat().st_size / 1e6:.2f} MB")
        for channel, counts in lost.items():
            print(
                f"  {channel}: "
                + ("; ".join(f"{count} rays {why}" for why, count in counts.items()) or "no ray lost")
            )


if __name__ == "__main__":
    main()
