"""`prewarp sensitivity`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.cli.arguments import FILE, module_option, picture_option, pupils_option, require_output_file
from prewarp.cli.displays import (
    extrapolate_option,
    eye_option,
    no_seam,
    read_display,
    say_not_known,
    within_capture,
)
from prewarp.cli.one_motion import along_text, unknown_seams
from prewarp.cli.panels_in_step import ADVICE, KEY, not_in_step, step_report
from prewarp.cli.talk import Talk, number, talking
from prewarp.eye import assemble_eyes
from prewarp.field import motion_not_known
from prewarp.files import write_bytes
from prewarp.seam import sensitivity_map

# Coarser than other overlaps: every direction is looked at from every pupil.
STEP_DEG = 1.0


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@eye_option
@pupils_option("5x5x3")
@click.option(
    "--error",
    "error_mm",
    type=click.FloatRange(0.0, 20.0),
    default=0.5,
    show_default=True,
    help="Largest error of a tracked pupil, mm.",
)
@picture_option("the worst cases over the seam")
@extrapolate_option
@talking
def sensitivity(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    side: str | None,
    pupils: tuple[int, int, int],
    error_mm: float,
    picture: Path | None,
    extrapolate: bool,
) -> None:
    """Say how far channels come apart at the seam per mm of pupil, and the worst case over the eye box.

    The command gives this for a correction that stays that of a centred pupil, and for one that follows a
    tracked pupil with an error. Channels whose images lie in one plane move alike and stay together, whatever
    their distortion. Where the module declares when panels light their lines, it also gives the split that a
    turn of head or eye makes between two panels that light one direction at different times, and which scans
    would make the seam meet.

    \b
    Example:
      prewarp sensitivity visor.fit.npz --module visor.toml --picture sensitivity.png
    """
    if picture is not None:
        require_output_file(picture, fit_path, module_path)
    fields, module = read_display(fit_path, module_path)
    places = np.unique(np.concatenate([module.eye_box.lattice(pupils), module.eye_box.corners]), axis=0)
    colour = fields.colours[0]
    report: dict[str, Any] = {
        "tracked_error_mm": error_mm,
        "color": colour,
        "pupils": len(places),
        "eyes": {},
        "extrapolated": [],
    }
    drawn, rows, notes, missing, steps = [], [], [], [], []
    with talk.progress("measuring sensitivity", total=len(module.eyes)) as step:
        for place, eye in enumerate(assemble_eyes(fields, module, side=side)):
            found: list[dict[str, Any]] = []
            lacking = motion_not_known(fields, eye.channels, "sensitivity of the seam")
            if lacking is not None and eye.has_seam:
                unknown = [{**one, KEY: None} for one in unknown_seams(eye, places, colour)]
                report["eyes"][eye.side] = {"seams": unknown, ADVICE: None}
                missing += [lacking, not_in_step(eye, lacking)]
                continue
            pairs = eye.overlaps(step_deg=STEP_DEG)
            in_step = step_report(eye, pairs)
            steps.append(in_step)
            for number_of_pair, pair in enumerate(pairs):
                report["extrapolated"] += within_capture(
                    talk, fields, pair.channels, places, extrapolate=extrapolate, tangent=pair.tangent
                )
                first, second = (fields.field(name, colour) for name in pair.channels)
                one = sensitivity_map(first, second, pair.tangent, pupils_mm=places)
                figures = one.as_dict()
                figures["tracked_worst_arcmin"] = float(np.nanmax(one.tracked_worst_arcmin(error_mm)))
                figures[KEY] = in_step.seam(number_of_pair)
                found.append(figures)
                title = f"{eye.side} eye, {' and '.join(pair.channels)}"
                drawn.append((title, pair, one, in_step.timing(number_of_pair)))
                rows.append(_row(drawn[-1][0], figures))
            report["eyes"][eye.side] = {"seams": found, ADVICE: in_step.advice()}
            missing += in_step.missing
            if not eye.has_seam:
                notes.append(no_seam(eye))
                report["eyes"][eye.side]["note"] = notes[-1]
            step(f"{eye.side} eye", place + 1)
    if picture is not None and drawn:
        from prewarp.report.sensitivity import SensitivityItem, sensitivity_picture

        items = [SensitivityItem(*one) for one in drawn]
        write_bytes(picture, sensitivity_picture(items, title=f"{module.name}: how far pictures come apart"))
    head = (
        "seam",
        "difference, centred, RMS arcmin/mm",
        "fixed: worst arcmin",
        "tracked: worst arcmin/mm",
        f"tracked within {error_mm:g} mm: worst arcmin",
    )
    if rows:
        talk.table("Sensitivity of the seam", head, [("", rows)])
        talk.text(
            "difference: of the motion of both pictures, pupil centred; fixed: seam error with the "
            "correction of a centred pupil; tracked: seam error per mm of error of the tracked pupil. "
            "Worst: over the seam and the eye box."
        )
    for one_step in steps:
        one_step.say(talk)
    talk.text(*notes)
    for part in report["eyes"].values():
        talk.text(*(along_text(one) for one in part["seams"] if one.get("along_motion")))
    report["not_known"] = say_not_known(talk, missing)
    talk.json(report)


def _row(name: str, figures: dict[str, Any]) -> tuple[str, ...]:
    return (
        name,
        number(figures["difference_centred_rms_arcmin_per_mm"], 3),
        number(figures["fixed_worst_arcmin"]["max_arcmin"], 3),
        number(figures["tracked_worst_arcmin_per_mm"]["max_arcmin_per_mm"], 3),
        number(figures["tracked_worst_arcmin"], 3),
    )
