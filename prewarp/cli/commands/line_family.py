"""`prewarp line family`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, output_option, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.line.from_design import family_from_design
from prewarp.line.storage import write_family
from prewarp.module import read_module
from prewarp.trace import read_design


@click.command()
@click.argument("design_path", metavar="DESIGN", type=FILE)
@click.argument("module_path", metavar="MODULE", type=FILE)
@output_option("Family to write (NPZ).")
@talking
def family(talk: Talk, design_path: Path, module_path: Path, output: Path) -> None:
    """Predict how units of a design differ: nominal fields, and a mode for every tolerance.

    Each part of the design states its tolerances beside its keys, 1-sigma:

    \b
      tolerance = { decentre_mm = 0.05, tilt_deg = 0.03, gap_mm = 0.03, radius_mm = 0.05,
                    conic = 0.01, index = 5e-4, figure_um = 0.15 }   # of a surface
      tolerance = { decentre_mm = 0.05, tilt_deg = 0.05, gap_mm = 0.05 }   # of the panel
      tolerance = { turn_deg = 0.02 }   # of a channel

    Modes are finite differences of the trace. The family also keeps the design, so that each unit can be
    traced again near the values found for it. With a family, two camera positions are enough for a unit. An
    index that is off by two tolerances is not detected: a tolerance allows that much.

    \b
    Example:
      prewarp line family visor.design.toml visor.toml -o visor.family.npz
    """
    require_output_file(output, design_path, module_path)
    design, module = read_design(design_path), read_module(module_path)
    with talk.progress(f"tracing {design_path.name}") as step:
        found = family_from_design(design, module, progress=lambda text: step(text, 0))
        write_family(output, found)
    for name, one in found.channels.items():
        talk.text(
            f"channel '{name}': {len(one.departures)} tolerances; fields of units drawn by lot "
            f"differ from their trace by {number(one.rest_px)} px RMS."
        )
    talk.text(f"{output}: written.")
    talk.json(
        {
            "channels": {
                name: {"tolerances": [each.label for each in one.departures], "rest_px": one.rest_px}
                for name, one in found.channels.items()
            }
        }
    )
