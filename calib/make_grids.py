"""Trace the demo designs to the grids beside this file: `python calib/make_grids.py` (about 10 s).

Free of noise; panel points are rounded to 1e-4 px and luminance to 1e-5. `luminance` is the brightness that the design states
for the panel and colour, times cos(ray to panel normal) ** emission_power.
"""

import argparse
from pathlib import Path

import numpy as np

from prewarp.grids import Grid, grid_from_samples, write_grid
from prewarp.module import DisplayModule, read_module
from prewarp.trace import Design, reach_lattice, read_design, trace_samples

HERE = Path(__file__).resolve().parent
NAMES = ("coaxial", "folded")
PUPILS = (5, 5, 3)
DIRECTIONS = (25, 19)
# Beyond the nominal reach, so that the whole panel is covered in spite of keystone.
MARGIN_DEG = (8.0, 4.0)


def demo(name: str, /) -> tuple[DisplayModule, Design]:
    """Return the module and the design of a demo."""
    return read_module(HERE / f"{name}.module.toml"), read_design(HERE / f"{name}.design.toml")


def demo_grid(
    module: DisplayModule,
    design: Design,
    /,
    *,
    pupils: tuple[int, int, int] = PUPILS,
    directions: tuple[int, int] = DIRECTIONS,
) -> tuple[Grid, dict[str, dict[str, int]]]:
    """Return the rounded grid over the eye box and a little more than the nominal reach, and the rays lost."""
    traced = trace_samples(
        design,
        module,
        pupils=module.eye_box.lattice(pupils),
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
        grid, lost = demo_grid(module, design)
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
