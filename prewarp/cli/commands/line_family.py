"""`prewarp line family`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, output_option, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.line.family import Family
from prewarp.line.from_design import family_from_design
from prewarp.line.from_fits import family_from_fits, fits_of
from prewarp.line.storage import write_family
from prewarp.module import read_module
from prewarp.trace import read_design


@click.command()
@click.argument("paths", metavar="[DESIGN] MODULE", nargs=-1, required=True, type=FILE)
@click.option(
    "--fits",
    "fits",
    metavar="FOLDER",
    multiple=True,
    type=click.Path(exists=True, path_type=Path),
    help="Fits of earlier units (NPZ, by 'prewarp fit'), one a unit, 60 or more, instead of DESIGN; a folder "
    "or a file; may be given several times.",
)
@output_option("Family to write (NPZ).")
@talking
def family(talk: Talk, paths: tuple[Path, ...], fits: tuple[Path, ...], output: Path) -> None:
    """Predict how units of a design differ: nominal fields, and modes by which units differ from them.

    From a design there is a mode for every tolerance. Each part of the design states its tolerances beside
    its keys, 1-sigma:

    \b
      tolerance = { decentre_mm = 0.05, tilt_deg = 0.03, gap_mm = 0.03, radius_mm = 0.05,
                    conic = 0.01, index = 5e-4, figure_um = 0.15 }   # of a surface
      tolerance = { decentre_mm = 0.05, tilt_deg = 0.05, gap_mm = 0.05 }   # of the panel
      tolerance = { turn_deg = 0.02 }   # of a channel

    Modes are finite differences of the trace. The family also keeps the design, so that each unit can be
    traced again near the values found for it. With a family, two camera positions are enough for a unit. An
    index that is off by two tolerances is not detected: a tolerance allows that much.

    With --fits no design is needed: modes are directions in which 60 or more earlier units differ, as large
    as units left out in turn show them. Capture each of these over the whole eye box, both channels from the
    same camera positions, 25 or more in two depths, and fit it by 'prewarp fit --poses free'. Such a family
    knows units less well than a design's tolerances do, and finds fewer of those with faults: README says how
    many. What all earlier units have in common is no fault to it.

    \b
    Examples:
      prewarp line family visor.design.toml visor.toml -o visor.family.npz
      prewarp line family visor.toml --fits units-of-may --fits units-of-june -o visor.family.npz
    """
    expected = 1 if fits else 2
    if len(paths) != expected:
        raise click.UsageError(
            "with --fits give the module alone; a family is from fits or from a design's tolerances."
            if fits
            else "give DESIGN and MODULE, or MODULE with --fits."
        )
    require_output_file(output, *paths, *fits)
    module = read_module(paths[-1])
    if fits:
        known = fits_of(fits)
        with talk.progress(f"reading {len(known)} fits", len(known)) as step:
            found = family_from_fits(known, module, progress=step)
            write_family(output, found)
        _tell_learned(talk, found)
    else:
        design = read_design(paths[0])
        with talk.progress(f"tracing {paths[0].name}") as traced:
            found = family_from_design(design, module, progress=lambda text: traced(text, 0))
            write_family(output, found)
        for name, one in found.channels.items():
            talk.text(
                f"channel '{name}': {len(one.labels)} tolerances; fields of units drawn by lot "
                f"differ from their trace by {number(one.rest_px)} px RMS."
            )
    talk.text(f"{output}: written.")
    key = "directions" if fits else "tolerances"
    told = {
        name: {
            key: len(one.labels) if one.optics is None else [each.label for each in one.optics.departures],
            "rest_px": one.rest_px,
        }
        for name, one in found.channels.items()
    }
    talk.json({"family": found.kind, "channels": told})


def _tell_learned(talk: Talk, found: Family) -> None:
    """Say what is known from fits, and what is not."""
    learned = found.learned
    assert learned is not None
    for name, one in found.channels.items():
        talk.text(
            f"channel '{name}': {len(one.labels)} directions of {learned.units} units; beside them a unit "
            f"differs by {number(one.rest_px)} px RMS, which counts in every claim."
        )
    if learned.unsolved:
        talk.text(f"warning: {learned.warning} Fit these units again with 'prewarp fit --poses free'.")
