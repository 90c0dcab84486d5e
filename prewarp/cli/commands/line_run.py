"""`prewarp line run`."""

from contextlib import nullcontext
from pathlib import Path

import click

from prewarp.cli.arguments import FILE, module_option, output_option, pose_offset_option, pose_turn_option
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import Talk, talking
from prewarp.errors import LineError
from prewarp.limits import Limits
from prewarp.module import read_module
from prewarp.processes import imported_ahead
from prewarp.tracker import Tracker
from prewarp.wording import counted


@click.command()
@click.argument("family_path", metavar="FAMILY", type=FILE)
@click.argument(
    "grids", metavar="GRIDS...", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path)
)
@module_option()
@click.option(
    "--positions",
    type=click.IntRange(1, 1000),
    help="Camera positions that every unit must have; units with another number are bad.",
)
@pose_offset_option
@pose_turn_option
@click.option(
    "--jobs",
    type=click.IntRange(1, 1024),
    help="Processes [default: all cores, fewer where memory is short].",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Work on the Dask cluster at this address instead (needs the extra 'cluster'). Grids and packages "
    "travel as bytes, so no shared folder is needed: at most 3 units a worker at a time, 64 MiB a package.",
)
@click.option(
    "--packages", is_flag=True, help="Write a verified device package of every unit (needs --module)."
)
@click.option(
    "--max-error",
    type=click.FloatRange(0.01, 8.0),
    default=0.25,
    show_default=True,
    help="Largest error that a package may have, panel px.",
)
@settings_options(Tracker, "tracker")
@output_option("Folder to write: units.csv, units.parquet, modes.csv, line.sqlite.")
@talking
def run(
    talk: Talk,
    family_path: Path,
    grids: tuple[Path, ...],
    module_path: Path | None,
    positions: int | None,
    pose_offset: float,
    pose_turn: float,
    jobs: int | None,
    scheduler: str | None,
    packages: bool,
    max_error: float,
    tracker: Tracker,
    output: Path,
) -> None:
    """Find what every unit of a line is, from few camera positions each, and whether it belongs to the
    family.

    GRIDS are files or folders of grids, one per unit; the serial is the file's name. Each camera position
    must show both channels without the camera moving in between. Position and pointing of every shot are
    found together with the unit. With --module, units are judged by its limits of place, and of seam error
    with the eye tracker and of focus step across the seam, where the shots tell these better than the
    tolerances do; what is not known does not count as passed.

    The table has one row per unit, in order of serial: status (pass, pass within uncertainty, fail within
    uncertainty, fail, bad), reason, error of place with its sigma, modes in prior sigmas, and the chances of
    three flags: energy that the modes leave, energy within the modes against their tolerances, and a figure
    term that no tolerance allows. A unit fails if one of these chances is below 0.1 %; its figures are then
    not known. A grid that cannot be used becomes a row with a reason. Two camera positions are enough; 'line
    positions' says where. By a family from fits of earlier units ('line family --fits') the third flag is a
    ripple that none of these has, and a unit may have at most 12 positions.

    With --packages, every unit that belongs to the family gets a device package of the format 'lookup' in
    packages/SERIAL, which is verified before it takes its place. The form of the tables is searched once for
    the family, which takes half a minute; the tables of each unit then have that form. A unit fails if its
    package does not keep what is asked. A cluster's workers verify packages where they make them; here the
    hashes of what arrives are checked.

    After it was stopped or killed at any moment, the same command continues where it was and writes the same
    bytes. Meanwhile line.sqlite may be queried (table units). If a grid has a column 'serial', it must agree
    with the file's name; without that column, swapped files are detected only if two files are the same.

    \b
    Example:
      prewarp line run visor.family.npz captures --module visor.toml --positions 2 -o line
    """
    module = None if module_path is None else read_module(module_path)
    if packages and module is None:
        raise LineError("--packages needs the display they are for. Add --module.")
    limits = Limits() if module is None else module.limits
    # What units need is slow to import: processes that share the work begin with it as this one does.
    with imported_ahead("prewarp.line.workers") if scheduler is None else nullcontext():
        from prewarp.line.figures import FIGURES
        from prewarp.line.package import PackageSettings
        from prewarp.line.rows import PosePrior
        from prewarp.line.run import run_line, units_of
        from prewarp.line.seam import SEAM_FIGURES
        from prewarp.line.unit import LineSettings
        from prewarp.quality.units_table import PASSED

        wanted = PackageSettings(module, max_error) if packages and module is not None else None
        settings = LineSettings(PosePrior(pose_offset, pose_turn), positions, limits, module, tracker)
        units = units_of(grids)
        with talk.progress(f"finding {counted(len(units), 'unit')}", len(units)) as step:
            done = run_line(
                family_path,
                units,
                output,
                settings,
                workers=jobs,
                scheduler=scheduler,
                packages=wanted,
                progress=step,
            )
    talk.table("Units", ("status", "units"), [("", [(name, f"{n}") for name, n in done.counts.items()])])
    given = {name for name in limits.__dataclass_fields__ if getattr(limits, name) is not None}
    judged = {*FIGURES, *SEAM_FIGURES}
    if not given & judged:
        talk.text(
            f"No limit of {', '.join(sorted(judged))} is set, so 'pass' says that a unit belongs to the "
            "family and no more. Limits are [limits] of the module file (--module)."
        )
    for name in sorted(given - judged):
        talk.text(f"{name.replace('_', ' ')}: not judged here; 'prewarp accept' judges it.")
    failed = done.units - sum(done.counts.get(name, 0) for name in PASSED)
    if failed:
        talk.text(f"{counted(failed, 'unit')} did not pass: the column 'reason' of units.csv says why.")
    where = "line.sqlite, units.csv, units.parquet and modes.csv"
    talk.text(f"judged by {done.kind}.")
    if done.warning:
        talk.text(f"warning: {done.warning}")
    talk.text(
        f"{output}: {counted(done.units, 'unit')}, {done.worked_on} found in this run; {where} written."
    )
    talk.json(
        {
            "units": done.units,
            "worked_on": done.worked_on,
            "status": done.counts,
            "family": done.kind,
            "warning": done.warning or None,
        }
    )
