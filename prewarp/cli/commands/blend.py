"""`prewarp blend`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.cli.arguments import FILE, module_option, picture_option, pupils_option, require_output_file
from prewarp.cli.displays import (
    extrapolate_option,
    eye_option,
    feather_option,
    no_seam,
    read_display,
    say_not_known,
    within_capture,
)
from prewarp.cli.panels_in_step import ADVICE, KEY, not_in_step, step_report
from prewarp.cli.talk import Talk, number, talking
from prewarp.errors import SeamError
from prewarp.eye import Eye, assemble_eyes
from prewarp.field import NotKnown, motion_not_known
from prewarp.files import write_bytes
from prewarp.report.policies import PolicyView, policies_picture
from prewarp.seam import POLICIES, PolicyFigures, policy_figures, survey_gaps, survey_overlap

_HEAD = (
    "",
    "feather deg",
    "overlap used %",
    "crawl p95 arcmin/mm",
    "field lost %",
    "field lost square deg",
    "blend gradient p95 %/deg",
)


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@eye_option
@pupils_option("3x3x1")
@feather_option
@picture_option("the blend of each policy")
@extrapolate_option
@talking
def blend(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    side: str | None,
    pupils: tuple[int, int, int],
    feather_deg: float | None,
    picture: Path | None,
    extrapolate: bool,
) -> None:
    """Compare a seam fixed in direction with one that follows the pupil: the overlap that each uses, and what
    it loses.

    Crawl is the speed at which the line of equal weights moves over the content while the pupil moves. The
    command names pupil positions from which channels leave a gap, with its place and size, and those from
    which the overlap is narrower than the feather. A gap is what no channel lights between two channels,
    within the outline of what is captured; its borders are known to the spacing of the captured dots. Where
    the module declares when panels light their lines, the command also says how far they are out of step
    across the seam, and which scans would make the seam meet in time.

    \b
    Example:
      prewarp blend visor.fit.npz --module visor.toml --picture blend.png
    """
    if picture is not None:
        require_output_file(picture, fit_path, module_path)
    fields, module = read_display(fit_path, module_path)
    places = module.eye_box.lattice(pupils)
    if len(places) < 2:
        raise click.UsageError("--pupils gives one position; expected two or more, such as 3x3x1.")
    result: dict[str, Any] = {"eyes": {}, "extrapolated": []}
    missing: list[NotKnown] = []
    views: list[PolicyView] = []
    with talk.progress("comparing blend policies") as step:
        for eye in assemble_eyes(fields, module, side=side):
            if not eye.has_seam:
                empty: dict[str, Any] = {"policies": [], "overlap": [], "gaps": [], KEY: [], ADVICE: None}
                result["eyes"][eye.side] = {**empty, "note": no_seam(eye)}
                talk.text(no_seam(eye))
                continue
            lacking = motion_not_known(fields, eye.channels, "overlap and crawl of the seam over the eye box")
            if lacking is not None:
                keys = ("policies", "impossible", "feather_deg", "overlap", "gaps", KEY, ADVICE)
                result["eyes"][eye.side] = dict.fromkeys(keys)
                missing += [lacking, not_in_step(eye, lacking)]
                continue
            result["extrapolated"] += within_capture(
                talk, fields, eye.channels, places, extrapolate=extrapolate
            )
            overlap = survey_overlap(eye.seam, places)
            gaps = survey_gaps(eye.seam, places)
            found: list[PolicyFigures] = []
            refused: dict[str, str] = {}
            for kind in POLICIES:
                try:
                    policy = eye.policy(kind, feather_deg=feather_deg)
                    figures = policy_figures(kind, policy, fields, pupils_mm=places)
                # A display that cannot be joined one way may be joined the other: the reason is part of the
                # answer.
                except SeamError as cause:
                    refused[kind] = str(cause)
                    continue
                found.append(figures)
                shown = _shown(places, eye)
                views.append(PolicyView(figures, shown, tuple(policy.at(pupil) for pupil in shown)))
                step(f"{eye.side} eye: {kind}", len(found))
            feather = feather_deg or min((f.feather_deg[0] for f in found), default=None)
            in_step = step_report(eye, eye.overlaps())
            missing += in_step.missing
            sentences = [text for one in gaps if (text := one.sentence())]
            sentences += [text for pair in overlap if (text := pair.sentence(feather_deg))]
            result["eyes"][eye.side] = {
                "policies": [figures.as_dict() for figures in found],
                "impossible": refused,
                "feather_deg": feather,
                "overlap": [pair.as_dict() for pair in overlap],
                "gaps": [one.as_dict() for one in gaps],
                KEY: in_step.seams(),
                ADVICE: in_step.advice(),
            }
            talk.table(
                f"Blend policies, {eye.side} eye, over {len(places)} pupil positions",
                _HEAD,
                [("", [_row(f) for f in found])],
            )
            talk.text(*(f"{kind}: not possible. {reason}" for kind, reason in refused.items()), *sentences)
            in_step.say(talk)
    if picture is not None and views:
        write_bytes(picture, policies_picture(views, title=f"{module.name}: blend by policy"))
        talk.text(f"{picture}: written.")
    result["not_known"] = say_not_known(talk, missing)
    talk.json(result)


def _shown(places: np.ndarray, eye: Eye) -> np.ndarray:
    """Return the position nearest the middle, and those furthest from it along the axis across the seam.

    That is x for channels side by side, y for channels one above the other.
    """
    middles = np.array([reach.middle for reach in eye.seam.reaches])
    axis = int(np.argmax(np.ptp(middles, axis=0)))
    middle = places[np.argmin(np.linalg.norm(places, axis=1))]
    others = [k for k in range(3) if k != axis]
    row = places[np.all(np.abs(places[:, others] - middle[others]) < 1e-9, axis=1)]
    ends = row[np.argmin(row[:, axis])], row[np.argmax(row[:, axis])]
    return np.unique(np.stack([middle, *ends]), axis=0)


def _row(figures: PolicyFigures) -> tuple[str, ...]:
    low, high = figures.feather_deg
    return (
        figures.policy,
        number(low, 3) if high - low < 0.005 else f"{number(low, 3)} to {number(high, 3)}",
        number(figures.overlap_used_percent, 3),
        number(figures.crawl_p95_arcmin_per_mm, 3),
        number(figures.field_lost_percent, 2),
        number(figures.field_lost_deg2, 3),
        number(100.0 * figures.gradient_p95_per_deg, 3),
    )
