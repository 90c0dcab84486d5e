"""`prewarp accept`."""

from pathlib import Path

import click

from prewarp.acceptance.accept import Acceptance, accept_unit
from prewarp.acceptance.figures import NAMES, NO_LIMIT
from prewarp.acceptance.pose import BenchPrior
from prewarp.budget import Tracker
from prewarp.cli.arguments import FILE, module_option, require_output_file
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import Talk, number, talking
from prewarp.export.package_reading import read_package
from prewarp.files import write_bytes
from prewarp.grids import read_grid
from prewarp.module import read_module
from prewarp.poses import STAGE_MM, TURN_ARCMIN
from prewarp.quality.conformance import FAIL, PASS, chance_text

FAILED, UNDECIDED = 1, 3


@click.command()
@click.argument("grid_path", metavar="GRID", type=FILE)
@click.option("--package", "package_path", type=FILE, required=True, help="Device package of the unit's eye.")
@module_option(required=True)
@click.option(
    "-o", "--picture", "--output", "picture", type=FILE, help="Also draw the result as a page (PNG)."
)
@click.option(
    "--remove-pose",
    is_flag=True,
    help="Remove a shift and a turn common to all rows, as the unknown pose of the capture.",
)
@click.option(
    "--stage-mm",
    type=click.FloatRange(1e-6, 10.0),
    help=f"1-sigma per axis of the capture's position as a whole  [with --remove-pose: {STAGE_MM:g}]",
)
@click.option(
    "--turn-arcmin",
    type=click.FloatRange(1e-6, 600.0),
    help=f"1-sigma per axis of the capture's direction as a whole  [with --remove-pose: {TURN_ARCMIN:g}]",
)
@settings_options(Tracker, "tracker")
@talking
def accept(
    talk: Talk,
    grid_path: Path,
    package_path: Path,
    module_path: Path,
    picture: Path | None,
    remove_pose: bool,
    stage_mm: float | None,
    turn_arcmin: float | None,
    tracker: Tracker,
) -> int:
    """Compare a fresh capture of a unit with its device package, and judge it by [limits] of the module file.

    GRID holds rows that the fit of the package has not seen. Each row is compared with what the package's own
    tables say of it, per channel and colour, part of the panel and shot (column 'pose', else pupil position).
    The capture's noise is taken out. Nothing else is removed unless --remove-pose asks for it, and then only
    as far as the stated uncertainty of the pose allows.

    Decision rule (ISO 14253-1, JCGM 106), with the expanded uncertainty, k = 2, as guard band: pass, pass
    within uncertainty, fail within uncertainty, or fail, each with the chance that it is wrong for this unit.
    A figure without a limit is not judged. What the capture does not show is not known, and does not count as
    passed.

    Exit code 0: pass; 1: fail; 2: bad input; 3: within the uncertainty on either side, not known, or no limit
    set.

    Caution: limits are yours to choose with qualified people; a limit that is kept does not say that a
    display is safe, comfortable, or fit for a task.

    \b
    Example:
      prewarp accept fresh.csv --package visor_package --module visor.toml -o fresh.png --json
    """
    if picture is not None:
        require_output_file(picture, grid_path, module_path)
    module, package = read_module(module_path), read_package(package_path)
    bench = None
    if remove_pose or stage_mm is not None or turn_arcmin is not None:
        bench = BenchPrior(
            STAGE_MM if stage_mm is None else stage_mm, TURN_ARCMIN if turn_arcmin is None else turn_arcmin
        )
    grid = read_grid(grid_path)
    with talk.progress(f"comparing {grid_path.name} with {package_path.name}") as step:
        found = accept_unit(
            grid,
            package,
            module,
            tracker=tracker,
            bench=bench,
            remove_pose=remove_pose,
            progress=lambda text: step(text, 0),
        )
        if picture is not None:
            # The plot library is slow to import; it is loaded only where it is used.
            from prewarp.report.acceptance import acceptance_picture

            step("drawing", 0)
            write_bytes(picture, acceptance_picture(found, title=f"{module.name}: {grid_path.name}"))
    _print(talk, found, module.name)
    talk.text(*found.told, f"Rule: {found.as_dict()['rule']}.", found.sentence)
    talk.json({"grid": grid_path.name, "module": module.name, **found.as_dict()})
    return {PASS: 0, FAIL: FAILED}.get(found.verdict or "", UNDECIDED)


def _print(talk: Talk, found: Acceptance, name: str) -> None:
    rows = []
    for one in found.figures:
        judged = one.judged
        rows.append(
            (
                NAMES[one.key],
                one.of,
                number(one.value, 3),
                number(None if one.sigma is None else 2.0 * one.sigma, 2),
                number(one.limit, 3),
                one.unit,
                one.verdict if one.verdict != NO_LIMIT else "-",
                "-" if judged is None else chance_text(judged.risk),
            )
        )
    head = ("figure", "of", "value", "+- (k = 2)", "limit", "unit", "verdict", "risk")
    talk.table(f"{name}, {found.side} eye", head, [("", rows)], text_columns=2)
    lacking: dict[tuple[str, bool], list[str]] = {}
    for one in found.figures:
        if one.needs and one.limit is not None:
            lacking.setdefault((one.needs, one.value is not None), []).append(one.name)
    for (needs, partly), names in lacking.items():
        over = " over eye box and panel" if partly else ""
        talk.text(f"Not known{over}: {'; '.join(names)}. Needs {needs}.")
