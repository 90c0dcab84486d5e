"""`prewarp trace`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, Counts, output_option, pupils_option, require_output_file
from prewarp.cli.talk import Talk, talking
from prewarp.grids import write_grid
from prewarp.module import read_module
from prewarp.trace import reach_lattice, read_design, trace_samples


@click.command()
@click.argument("design_path", metavar="DESIGN", type=FILE)
@click.argument("module_path", metavar="MODULE", type=FILE)
@pupils_option("5x5x3", most=64, what="Pupil positions per axis of the eye box.")
@click.option(
    "--directions",
    type=Counts(2, 512),
    default="25x19",
    show_default=True,
    help="Number of viewing directions across and up each channel's nominal reach.",
)
@click.option(
    "--margin",
    type=click.FloatRange(0.0, 45.0),
    default=6.0,
    show_default=True,
    help="How far beyond the nominal reach rays are traced, degrees, so that panel corners are covered.",
)
@output_option("Grid to write: .csv, .csv.gz or .npz.")
@talking
def trace(
    talk: Talk,
    design_path: Path,
    module_path: Path,
    pupils: tuple[int, int, int],
    directions: tuple[int, int],
    margin: float,
    output: Path,
) -> None:
    """Trace an optical design that has not been built to a distortion grid.

    Rays run from each pupil position along each viewing direction to the panel. Lost rays are counted by
    surface and cause.

    \b
    Example:
      prewarp trace visor.design.toml visor.toml -o traced.npz
    """
    require_output_file(output, design_path, module_path)
    design, module = read_design(design_path), read_module(module_path)
    with talk.progress(f"tracing {design_path.name}"):
        traced = trace_samples(
            design,
            module,
            pupils=module.eye_box.lattice(pupils),
            directions={
                channel.name: reach_lattice(channel, directions, margin_deg=(margin, margin))
                for channel in module.channels
            },
        )
        write_grid(output, traced.grid)
    talk.text(f"{output}: {len(traced.grid)} samples written.")
    if any(traced.lost.values()):
        talk.text(
            "Rays that reach no panel have no sample. Some are expected: directions go "
            "beyond the nominal reach (--margin), and apertures stop rays."
        )
    for channel, counts in traced.lost.items():
        talk.text(*(f"  {channel}: {count} rays lost at {place}" for place, count in counts.items()))
    talk.json(
        {"samples": len(traced.grid), "lost": {name: dict(counts) for name, counts in traced.lost.items()}}
    )
