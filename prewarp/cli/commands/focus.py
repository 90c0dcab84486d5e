"""`prewarp focus`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.cli.arguments import FILE, PupilPosition, module_option, picture_option, require_output_file
from prewarp.cli.displays import (
    extrapolate_option,
    eye_option,
    read_display,
    say_not_known,
    within_capture,
)
from prewarp.cli.talk import Talk, number, talking
from prewarp.eye import Eye, assemble_eyes
from prewarp.field import FieldSet, NotKnown, motion_not_known
from prewarp.files import write_bytes
from prewarp.focus import NO_WARP, channel_focus, focus_step, unknown_step
from prewarp.published import DEPTH_OF_FOCUS


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@eye_option
@click.option("--pupil", type=PupilPosition(), default="0,0,0", show_default=True, help="Pupil position, mm.")
@picture_option("image vergence and focus step, pupil centred,")
@extrapolate_option
@talking
def focus(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    side: str | None,
    pupil: np.ndarray,
    picture: Path | None,
    extrapolate: bool,
) -> None:
    """Say how far away each channel's image is, its astigmatism, and the focus step across the seam.

    Image vergence in dioptres is one over the image's distance in metres. Along the ray from the pupil it is
    what the eye focuses at; straight ahead (axial) it is the same everywhere on a flat image that faces the
    eye. It is found from how directions change as the pupil moves, and needs no extra measurement. A warp
    changes none of it.

    Caution: which focus step is tolerable, and for whom, is for qualified people to decide; published figures
    are named beside the result.

    \b
    Example:
      prewarp focus visor.fit.npz --module visor.toml --picture focus.png
    """
    if picture is not None:
        require_output_file(picture, fit_path, module_path)
    fields, module = read_display(fit_path, module_path)
    report: dict[str, Any] = {
        "pupil_mm": pupil.tolist(),
        "color": fields.colours[0],
        "eyes": {},
        "warp_mends_it": False,
        "note": NO_WARP,
        "published": [one.as_dict() for one in DEPTH_OF_FOCUS],
    }
    items, missing = [], []
    report["extrapolated"] = []
    with talk.progress("measuring focus", total=len(module.eyes)) as step:
        for place, eye in enumerate(assemble_eyes(fields, module, side=side)):
            outside = within_capture(talk, fields, eye.channels, pupil, extrapolate=extrapolate)
            report["extrapolated"] += outside
            found, lacking = _focus_of(fields, eye, pupil)
            if outside:
                lacking += _without_sigma(found)
            report["eyes"][eye.side] = found
            missing += lacking
            if not any(motion_not_known(fields, [name], "focus") for name in eye.channels):
                items.append((eye, eye.overlaps()))
            step(f"{eye.side} eye", place + 1)
    if picture is not None and items:
        from prewarp.report.focus import FocusItem, focus_picture

        drawn = [FocusItem(f"{eye.side} eye", fields, eye.channels, pairs) for eye, pairs in items]
        write_bytes(picture, focus_picture(drawn, title=f"{module.name}: image vergence and focus step"))
    _print(talk, report["eyes"])
    report["not_known"] = say_not_known(talk, missing)
    talk.json(report)


def _focus_of(fields: FieldSet, eye: Eye, pupil: np.ndarray) -> tuple[dict[str, Any], list[NotKnown]]:
    """Return the focus of an eye's channels and seams; None, and why, where the capture does not show it."""
    channels, missing = [], []
    for name in eye.channels:
        lacking = motion_not_known(fields, [name], f"image vergence and astigmatism of '{name}'")
        channels.append(channel_focus(fields, name, pupil_mm=pupil))
        if lacking is not None:
            missing.append(lacking)
    if not eye.has_seam:
        return {"channels": channels, "seams": []}, missing
    lacking = motion_not_known(fields, eye.channels, "focus step across the seam")
    if lacking is None:
        steps = [focus_step(fields, pair.channels, pair.tangent, pupil_mm=pupil) for pair in eye.overlaps()]
        return {"channels": channels, "seams": [one.as_dict() for one in steps]}, missing
    pairs = zip(eye.channels[:-1], eye.channels[1:], strict=True)
    return {"channels": channels, "seams": [unknown_step(pair) for pair in pairs]}, [*missing, lacking]


def _without_sigma(found: dict[str, Any]) -> list[NotKnown]:
    """Take the 1-sigma out of figures beyond what was captured, and return why."""
    for one in found["channels"]:
        one["image_vergence_sigma_dioptres"] = None
    for one in found["seams"]:
        one["focus_step_sigma_dioptres"] = None
    return [
        NotKnown(
            "1-sigma of image vergence and focus step",
            "the pupil lies outside the captured ones",
            "captures around this pupil",
        )
    ]


def _print(talk: Talk, eyes: dict[str, Any]) -> None:
    for eye, part in eyes.items():
        keys = (
            "image_vergence_mean",
            "image_vergence_p05",
            "image_vergence_p95",
            "image_vergence_axial_mean",
            "image_vergence_axial_p05",
            "image_vergence_axial_p95",
            "image_vergence_sigma",
            "astigmatism_p95",
        )
        rows = [
            (one["channel"], *(number(one[f"{key}_dioptres"], 3) for key in keys)) for one in part["channels"]
        ]
        talk.table(
            f"Image vergence, {eye} eye, dioptres: along the ray, and straight ahead (axial)",
            (
                "channel",
                "along the ray",
                "5 %",
                "95 %",
                "axial",
                "5 %",
                "95 %",
                "1-sigma",
                "astigmatism 95 %",
            ),
            [("", rows)],
        )
        for one in part["channels"]:
            if one.get("vergence_along_dioptres") is not None:
                talk.text(
                    f"'{one['channel']}': vergence along {one['vergence_along']}, all that the capture "
                    f"shows: {number(one['vergence_along_dioptres'], 3)} dioptres."
                )
        for one in part["seams"]:
            if one["directions"]:
                talk.text(
                    f"focus step from '{one['channels'][0]}' to '{one['channels'][1]}': mean "
                    f"{number(one['focus_step_mean_dioptres'], 3)}, RMS "
                    f"{number(one['focus_step_rms_dioptres'], 3)}, largest "
                    f"{number(one['focus_step_max_dioptres'], 3)} dioptres; 1-sigma "
                    f"{number(one['focus_step_sigma_dioptres'], 2)}."
                )
    talk.text(NO_WARP, "Published figures, none of them a limit of this tool:")
    talk.text(*(f"  {one.text()}" for one in DEPTH_OF_FOCUS))
