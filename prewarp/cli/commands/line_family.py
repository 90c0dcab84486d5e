"""`prewarp line family`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, output_option, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.line.from_design import FamilySettings, family_from_design
from prewarp.line.storage import write_family
from prewarp.module import read_module
from prewarp.trace import read_design


@click.command()
@click.argument("design_path", metavar="DESIGN", type=FILE)
@click.argument("module_path", metavar="MODULE", type=FILE)
@click.option(
    "--draws",
    type=click.IntRange(12, 2000),
    default=FamilySettings().draws,
    show_default=True,
    help="Units drawn by lot, for what the modes leave.",
)
@output_option("Family to write (NPZ).")
@talking
def family(talk: Talk, design_path: Path, module_path: Path, draws: int, output: Path) -> None:
    """Say beforehand how units of a design differ: nominal fields, and a mode for every tolerance.

    Each part of the design states its tolerances beside its keys, 1-sigma:

    \b
      tolerance = { decentre_mm = 0.05, tilt_deg = 0.03, gap_mm = 0.03, radius_mm = 0.05,
                    conic = 0.01, index = 5e-4, figure_um = 0.15 }   # of a surface
      tolerance = { decentre_mm = 0.05, tilt_deg = 0.05, gap_mm = 0.05 }   # of the panel
      tolerance = { turn_deg = 0.02 }   # of a channel

    Modes are finite differences of the trace; what they leave of units drawn by lot is kept too. With a
    family two camera positions are enough for a unit. An index that is off by two tolerances is not
    detectable as such: that is what a tolerance is.

    \b
    Example:
      prewarp line family visor.design.toml visor.toml -o visor.family.npz
    """
    require_output_file(output, design_path, module_path)
    design, module = read_design(design_path), read_module(module_path)
    settings = FamilySettings(draws=draws, checks=max(8, 2 * draws // 5))
    with talk.progress(f"tracing {design_path.name}") as step:
        found = family_from_design(design, module, settings=settings, progress=lambda text: step(text, 0))
        write_family(output, found)
    for name, one in found.channels.items():
        talk.text(
            f"channel '{name}': {len(one.labels)} tolerances, {one.modes.shape[2] - len(one.labels)} terms "
            f"of higher order; {number(one.rest_px)} px left over."
        )
    talk.text(f"{output}: written.")
    talk.json(
        {
            "channels": {
                name: {"tolerances": list(one.labels), "modes": one.modes.shape[2], "rest_px": one.rest_px}
                for name, one in found.channels.items()
            }
        }
    )
