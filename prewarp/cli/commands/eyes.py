"""`prewarp eyes`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.binocular import (
    CAUTION,
    BinocularWorst,
    Disparity,
    binocular_directions,
    converged_pupils_mm,
    disparity,
    fixed_worst,
    require_two,
    vergence_dioptres,
)
from prewarp.budget.eye import EyeMotion
from prewarp.cli.arguments import FILE, module_option
from prewarp.cli.displays import (
    channels_in,
    extrapolate_option,
    read_display,
    within_capture,
)
from prewarp.cli.talk import Talk, number, talking
from prewarp.errors import FitError
from prewarp.eye import assemble_eye
from prewarp.field import FieldSet, motion_not_known
from prewarp.module import EYES
from prewarp.published import VERGENCE_CONFLICT, VERTICAL_MISALIGNMENT

_SHARES = (0.5, 0.95, 1.0)


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@click.option(
    "--true",
    "true_path",
    type=FILE,
    help="A second fit, as the optics that the eyes really look through; panels are then drawn for "
    "FIT and seen through this one.",
)
@click.option(
    "--distance",
    "distance_m",
    type=click.FloatRange(0.1, 1e6),
    default=1.0,
    show_default=True,
    help="Distance of the point on which the eyes converge, m.",
)
@click.option(
    "--pupil-distance",
    "pupil_distance_mm",
    type=click.FloatRange(40.0, 85.0),
    default=63.0,
    show_default=True,
    help="Distance between the pupils, mm; most adults have 50 to 75 (Dodgson 2004).",
)
@extrapolate_option
@talking
def eyes(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    true_path: Path | None,
    distance_m: float,
    pupil_distance_mm: float,
    extrapolate: bool,
) -> None:
    """Say what a correction adds between the two eyes: vertical misalignment (dipvergence) and horizontal
    disparity.

    All for content far away: with centred pupils, with pupils that converge on a point while the correction
    stays that of centred ones, and at worst over both eye boxes. The module and the fit must have channels
    for both eyes.

    Caution: comfort and safety limits between the eyes are for qualified people to set; published figures are
    named beside the result. Stop at eye strain, headache or double vision.

    \b
    Example:
      prewarp eyes visor.fit.npz --module both_eyes.toml --distance 0.7
    """
    fields, module = read_display(fit_path, module_path)
    true = None if true_path is None else FieldSet.load(true_path)
    colour = fields.colours[0]
    with talk.progress("comparing the eyes"):
        require_two(module.eyes)
        lacking = motion_not_known(fields, channels_in(fields, module), "what moving pupils do to both eyes")
        if lacking is not None:
            raise FitError(lacking.text())
        optics = {side: assemble_eye(fields, module, side=side) for side in EYES}
        tangent = binocular_directions(optics)
        centred = {eye: np.zeros(3) for eye in optics}
        converged = converged_pupils_mm(distance_m, pupil_distance_mm, EyeMotion().lever_mm[0])
        extrapolated = [
            one
            for side in EYES
            for one in within_capture(
                talk,
                fields,
                channels_in(fields, module, side),
                np.vstack([centred[side], converged[side], module.eye_box.corners]),
                extrapolate=extrapolate,
                tangent=tangent,
            )
        ]
        states: dict[str, Disparity | BinocularWorst] = {
            "centred": disparity(
                optics, tangent, pupils_mm=centred, tracked_pupils_mm=centred, colour=colour, true_fields=true
            ),
            "converged_fixed": disparity(
                optics,
                tangent,
                pupils_mm=converged,
                tracked_pupils_mm=centred,
                colour=colour,
                true_fields=true,
            ),
            "eye_box_fixed_worst": fixed_worst(
                optics, tangent, pupils_mm=module.eye_box.corners, colour=colour, true_fields=true
            ),
        }
    report = {
        "color": colour,
        "directions": len(tangent),
        "extrapolated": extrapolated,
        "distance_m": distance_m,
        "pupil_distance_mm": pupil_distance_mm,
        "states": {name: _figures(state, pupil_distance_mm) for name, state in states.items()},
        "published": [one.as_dict() for one in (*VERTICAL_MISALIGNMENT, *VERGENCE_CONFLICT)],
        "caution": CAUTION,
    }
    _print(talk, report)
    talk.json(report)


def _figures(state: Disparity | BinocularWorst, pupil_distance_mm: float) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in ("dipvergence", "horizontal"):
        size = np.abs(getattr(state, f"{name}_arcmin"))
        size = size[np.isfinite(size)]
        for share in _SHARES:
            label = "max" if share == 1.0 else f"p{100 * share:g}"
            found[f"{name}_{label}_arcmin"] = float(np.quantile(size, share)) if size.size else None
    largest = found["horizontal_max_arcmin"]
    found["vergence_max_dioptres"] = (
        None if largest is None else float(vergence_dioptres(largest, pupil_distance_mm))
    )
    return found


def _print(talk: Talk, report: dict[str, Any]) -> None:
    names = {
        "centred": "pupils centred",
        "converged_fixed": f"pupils converged on {report['distance_m']:g} m, correction fixed",
        "eye_box_fixed_worst": "worst of both eye boxes, correction fixed",
    }
    rows = [
        (
            label,
            *(
                number(report["states"][key][f"{kind}_{share}_arcmin"], 3)
                for kind in ("dipvergence", "horizontal")
                for share in ("p50", "p95", "max")
            ),
        )
        for key, label in names.items()
    ]
    head = ("arcmin", "dipvergence 50 %", "95 %", "max", "horizontal 50 %", "95 %", "max")
    talk.table(f"Between the eyes, {report['directions']} directions", head, [("", rows)])
    talk.text("Published figures, none of them a limit of this tool:")
    talk.text(*(f"  {one.text()}" for one in (*VERTICAL_MISALIGNMENT, *VERGENCE_CONFLICT)), CAUTION)
