"""`prewarp fit`."""

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from prewarp.checking import quick_check, require_no_error
from prewarp.cli.arguments import (
    FILE,
    module_option,
    output_option,
    panel_option,
    picture_option,
    require_output_file,
    wanted_error_option,
)
from prewarp.cli.talk import Talk, number, talking
from prewarp.field import FieldSet, fit_grid
from prewarp.field.known import needs_of
from prewarp.field.pupils_needed import pupils_needed
from prewarp.field.working import channels_at_once
from prewarp.files import write_bytes
from prewarp.fitting.fit import FAMILIES
from prewarp.grids import Grid, read_grid
from prewarp.module import read_module
from prewarp.poses import STAGE_MM, TURN_ARCMIN, free_poses
from prewarp.pupils.needed import PupilsNeeded


@click.command()
@click.argument("grid_path", metavar="GRID", type=FILE)
@panel_option
@module_option()
@click.option(
    "--family",
    type=click.Choice(FAMILIES),
    default="auto",
    show_default=True,
    help="Kind of model; auto: chosen by cross-validation.",
)
@click.option(
    "--poses",
    type=click.Choice(("labelled", "free")),
    default="labelled",
    show_default=True,
    help="labelled: shots stood and looked where the grid says; free: find where each shot "
    "truly stood and looked, from the capture itself.",
)
@click.option(
    "--stage-mm",
    type=click.FloatRange(1e-4, 5.0),
    help=f"With free poses: 1-sigma of the stage per axis.  [default: {STAGE_MM:g}]",
)
@click.option(
    "--turn-arcmin",
    type=click.FloatRange(1e-2, 600.0),
    help=f"With free poses: 1-sigma of the camera's turns per axis.  [default: {TURN_ARCMIN:g}]",
)
@click.option(
    "--base",
    "base_path",
    type=FILE,
    help="Earlier fit of this unit, or fit of its design's trace (NPZ): fit only the difference "
    "to it. 8 positions are enough for that, with free poses too.",
)
@wanted_error_option
@output_option("File to write: the fit (NPZ).")
@picture_option("the residuals")
@talking
def fit(
    talk: Talk,
    grid_path: Path,
    panel_size_px: tuple[int, int] | None,
    module_path: Path | None,
    family: str,
    poses: str,
    stage_mm: float | None,
    turn_arcmin: float | None,
    base_path: Path | None,
    wanted_px: float,
    output: Path,
    picture: Path | None,
) -> None:
    """Fit every channel and colour of a distortion grid over the whole eye box.

    The panel's size must be known: from --panel or from a module file. The command finds degrees, symmetry
    and outliers from the data.

    With --poses free, each shot may have stood and looked a little off its label. A shot is the rows with one
    value in the column pose, or, without that column, with one pupil position. The columns yaw_deg,
    pitch_deg, roll_deg say how the camera was turned; directions in the grid are in the eye's frame all the
    same. Without --base this needs 25 positions: 8 give 16 numbers a dot, and a free field has 20.

    \b
    Examples:
      prewarp fit capture.csv --panel 2560x2560 -o visor.fit.npz
      prewarp fit capture.csv --panel 2560x2560 --poses free --stage-mm 0.2 -o visor.fit.npz
      prewarp fit capture.csv --module visor.toml -o visor.fit.npz --json
      prewarp fit capture.csv --module visor.toml --poses free --base design.fit.npz -o visor.fit.npz
    """
    if (panel_size_px is None) == (module_path is None):
        raise click.UsageError("give the panel's size by one of --panel WIDTHxHEIGHT and --module FILE.")
    if poses != "free" and not (stage_mm is None and turn_arcmin is None):
        raise click.UsageError("--stage-mm and --turn-arcmin belong to --poses free.")
    if base_path is not None and family == "mesh":
        raise click.UsageError("--base fits a difference, by a polynomial; leave --family mesh out.")
    for path in filter(None, (output, picture)):
        require_output_file(path, grid_path, module_path, base_path)
    if picture is not None and picture.resolve() == output.resolve():
        raise click.UsageError("--picture and --output name the same file.")
    module = None if module_path is None else read_module(module_path)
    sizes: tuple[int, int] | Mapping[str, tuple[int, int]]
    if module is None:
        assert panel_size_px is not None
        sizes = panel_size_px
    else:
        sizes = module.panel_sizes_px
    base = None if base_path is None else FieldSet.load(base_path)
    grid = read_grid(grid_path)
    threads = channels_at_once(grid)
    checked = quick_check(grid, module=module, panel_size_px=panel_size_px)
    require_no_error(grid.source, checked.findings)
    for found in checked.findings:
        talk.note(found.line())
    channels = len(grid.channel_names)
    start = time.perf_counter()
    estimate = None
    if poses == "free":
        with talk.progress("finding the poses of the shots"):
            estimate = free_poses(
                grid,
                panel_size_px=sizes,
                stage_mm=STAGE_MM if stage_mm is None else stage_mm,
                turn_arcmin=TURN_ARCMIN if turn_arcmin is None else turn_arcmin,
                base=base,
            )
        grid = estimate.moved(grid)
    with talk.progress(f"fitting {channels} channels, {len(grid)} samples", total=channels) as step:
        fields = fit_grid(
            grid,
            panel_size_px=sizes,
            family=family,
            progress=lambda name, done, total: step(f"channel '{name}' fitted ({done} of {total})", done),
            threads=threads,
            pupils_estimated=estimate is not None,
            base=base,
            most_pupil_degree=None if estimate is None else estimate.difference_degree,
        )
    if estimate is not None:
        fields = estimate.stated_in(fields)
    seconds = time.perf_counter() - start
    fields.save(output)
    if picture is not None:
        # The plot library is slow to import; it is loaded only where it is used.
        from prewarp.report.residuals import residual_picture

        write_bytes(picture, residual_picture(fields, grid))
    if panel_size_px is not None:
        talk.text(
            f"no module file: panel {panel_size_px[0]} x {panel_size_px[1]} px for every channel, eye box as "
            f"captured, colours {', '.join(fields.colours)} with {fields.colours[0]} as reference, "
            f"family {family}."
        )
    needed = {
        channel: pupils_needed(fields.field(channel, fields.colours[0]), captured, wanted_px=wanted_px)
        for channel, captured in fields.captured.items()
    }
    _print_table(talk, fields, grid)
    _print_captured(talk, fields, needed)
    if estimate is not None:
        talk.text(*estimate.lines())
    talk.text(f"{output}: written; fitted in {seconds:.1f} s.")
    own = {} if estimate is None else estimate.as_dict()
    talk.json({**_as_dict(fields, needed, seconds, family), **own})


def _as_dict(
    fields: FieldSet, needed: Mapping[str, PupilsNeeded], seconds: float, family: str
) -> dict[str, Any]:
    summary: dict[str, Any] = fields.summary()
    for channel in summary["channels"]:
        channel["pupils_needed"] = needed[channel["channel"]].as_dict()
    summary["models"] = [
        {"channel": report.channel, "color": colour, "model": report.model}
        for report in fields.reports
        for colour in report.colours
    ]
    return {**summary, "seconds": seconds, "options": {**fields.provenance, "family": family}}


def _print_table(talk: Talk, fields: FieldSet, grid: Grid) -> None:
    rows = []
    for report in fields.reports:
        for place, colour in enumerate(report.colours):
            first = place == 0
            rows.append(
                (
                    report.channel if first else "",
                    colour,
                    str(report.samples) if first else "",
                    str(report.parameters) if first else "",
                    number(report.sigma_px[place], 3),
                    number(report.misfit_px[place], 2),
                    number(report.rms_px[place], 3),
                    number(report.floor_px, 3) if first else "",
                    str(len(report.outlier_rows)) if first else "",
                )
            )
    head = (
        "channel",
        "colour",
        "samples",
        "parameters",
        "noise px",
        "misfit px",
        "residual RMS px",
        "map error px",
        "outliers",
    )
    talk.table(f"Fit of {grid.source}", head, [("", rows)], text_columns=2)
    talk.text(*(f"model of '{report.channel}': {report.model}" for report in fields.reports))
    talk.text(
        "noise: scatter of the dots of one pupil position, per axis; misfit: what the model "
        "leaves besides noise, per axis (-: not known: needs more dots per pupil position); "
        "residual: distance of a sample from the fit; map error: RMS error of the map due to "
        "this noise alone."
    )


def _print_captured(talk: Talk, fields: FieldSet, needed: Mapping[str, PupilsNeeded]) -> None:
    """Say what the capture does not show, what is tied, and what to capture more of."""
    for report in fields.reports:
        name, captured = report.channel, fields.captured[report.channel]
        if report.advice:
            misfit = max(value for value in report.misfit_px if value is not None)
            talk.text(
                f"'{name}': lack of fit, {number(misfit, 2)} px per axis beyond noise: {report.advice}."
            )
        if not captured.shows_motion:
            talk.text(
                f"'{name}': the captured pupils show {captured.motion_text()}. Focus, sensitivity, "
                f"tracker budget and blend are then not known: they need {needs_of(captured)}."
            )
        if tied := captured.ties_text():
            talk.text(f"'{name}': {tied}")
        if any(fields.field(name, colour).lit for colour in fields.colours):
            lit = ", ".join(f"{colour} {share:.0f} %" for colour, share in fields.lit_percent(name).items())
            talk.text(
                f"'{name}': rows are missing where the panel is dark. Lit part of the captured panel, "
                f"from the middle of the captured pupil positions: {lit}."
            )
        talk.text(f"'{name}': {needed[name].text()}.")
