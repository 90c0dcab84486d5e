"""`prewarp check`."""

from pathlib import Path

import click

from prewarp.checking import check_grid
from prewarp.cli.arguments import FILE, module_option, panel_option, wanted_error_option
from prewarp.cli.talk import Talk, talking
from prewarp.grids import read_grid
from prewarp.module import read_module

FOUND_ERRORS = 1


@click.command()
@click.argument("grid_path", metavar="GRID", type=FILE)
@module_option()
@panel_option
@click.option(
    "--pupil-degree",
    type=click.IntRange(0, 12),
    help="Check that there are enough pupil positions to fit this pupil degree.",
)
@wanted_error_option
@talking
@click.pass_context
def check(
    ctx: click.Context,
    talk: Talk,
    grid_path: Path,
    module_path: Path | None,
    panel_size_px: tuple[int, int] | None,
    pupil_degree: int | None,
    wanted_px: float,
) -> None:
    """Find what would spoil a fit in a distortion grid, with row numbers and how to mend each.

    Remarks advise on the capture: how many pupil positions the field needs for the wanted error, what a
    capture in a single plane does not show, how much dots scatter.

    Exit code 1 if an error was found, 0 if there are only warnings and remarks.

    \b
    Example:
      prewarp check capture.csv --module visor.toml
    """
    module = None if module_path is None else read_module(module_path)
    with talk.progress(f"checking {grid_path.name}"):
        result = check_grid(
            read_grid(grid_path),
            module=module,
            panel_size_px=panel_size_px,
            pupil_degree=pupil_degree,
            wanted_px=wanted_px,
        )
    talk.text(*result.lines())
    talk.json(result.as_dict())
    ctx.exit(0 if result.passed else FOUND_ERRORS)
