"""`prewarp budget`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.budget import EyeMotion, Limit, Tracker, seam_budget
from prewarp.budget.saccades import KINDS
from prewarp.budget.simulate import MOST_SAMPLES
from prewarp.cli.arguments import (
    FILE,
    Counts,
    PupilPosition,
    module_option,
    picture_option,
    require_output_file,
)
from prewarp.cli.displays import (
    extrapolate_option,
    eye_option,
    no_seam,
    read_display,
    say_not_known,
    within_capture,
)
from prewarp.cli.panels_in_step import ADVICE, KEY, StepReport, not_in_step, step_report
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import Talk, number, talking
from prewarp.eye import Eye, assemble_eyes
from prewarp.field import NotKnown, motion_not_known
from prewarp.files import write_bytes
from prewarp.published import SACCADES
from prewarp.tracker import LARGEST_MM

_MOTION = EyeMotion()


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@eye_option
@settings_options(Tracker, "tracker")
@settings_options(Limit, "limit", flags={"seam_arcmin": "--limit", "focus_dioptres": "--focus-limit"})
@click.option(
    "--saccades",
    type=click.Choice(KINDS),
    default=_MOTION.saccades,
    show_default=True,
    help="How the eye moves. natural: looking about; reflexive: jumping to targets unrelated to where "
    "it looked before.",
)
@click.option(
    "--gaze",
    "gaze_deg",
    type=click.FloatRange(0.0, 30.0),
    default=_MOTION.gaze_sd_deg[0],
    show_default=True,
    help="Spread (1-sigma) of fixations left and right, degrees; up and down it is three quarters of that.",
)
@click.option(
    "--slip",
    "slip_mm",
    type=PupilPosition(),
    default=",".join(f"{one:g}" for one in _MOTION.slip_sd_mm),
    show_default=True,
    help="Spread (1-sigma) of the headset's slow drift, mm.",
)
@click.option(
    "--lookup",
    type=Counts(3, 65),
    help="Correct by a table with so many pupil positions per axis, read trilinearly [default: no table].",
)
@click.option(
    "--residual",
    "residual_arcmin",
    type=click.FloatRange(0.0, 600.0),
    default=0.0,
    show_default=True,
    help="Errors that remain with a perfect tracker (registration, fit), 1-sigma per axis, arcmin.",
)
@click.option(
    "--samples",
    type=click.IntRange(1000, MOST_SAMPLES),
    help="Time samples to simulate [default: as many as determine the limit's percentile within 2 %].",
)
@click.option(
    "--directions",
    type=click.IntRange(1, 1000),
    default=64,
    show_default=True,
    help="How many directions of the seam are simulated.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=0,
    show_default=True,
    help="The same seed gives the same figures.",
)
@picture_option("the frontier")
@extrapolate_option
@talking
def budget(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    side: str | None,
    tracker: Tracker,
    limit: Limit,
    saccades: str,
    gaze_deg: float,
    slip_mm: np.ndarray,
    lookup: tuple[int, int, int] | None,
    residual_arcmin: float,
    samples: int | None,
    directions: int,
    seed: int,
    picture: Path | None,
    extrapolate: bool,
) -> None:
    """Say how accurate and how fast an eye tracker must be for the seam to hold, or that none will do.

    The command simulates eye movement from a seed (fixations, saccades, the pupil carried about the eye's
    centre of rotation, slow slip of the headset) and a tracker with its error, noise, latency and rate.
    Natural saccades have published amplitudes (people walking about) and durations. They are the default,
    because a limit is to be kept for a fraction of the time, and most of the time people look about.
    Reflexive saccades are larger and faster; their figures are printed beside (or natural ones beside
    reflexive). Intervals cover the number of time samples, not how your wearers differ from these people.
    Where the module declares when panels light their lines, latency counts to the frame's start, and every
    direction of the seam adds its own time; the same limit judges how far the panels are out of step.

    Caution: the limit is yours to choose with qualified people; a seam error or a focus step that some
    wearers do not notice may strain others.

    \b
    Examples:
      prewarp budget visor.fit.npz --module visor.toml --picture budget.png
      prewarp budget visor.fit.npz --module visor.toml --accuracy 0.2 --latency 8 --limit 1.5 --json
    """
    if picture is not None:
        require_output_file(picture, fit_path, module_path)
    motion = EyeMotion(
        saccades=saccades,
        gaze_sd_deg=(gaze_deg, 0.75 * gaze_deg),
        slip_sd_mm=tuple(np.abs(slip_mm).tolist()),
    )
    fields, module = read_display(fit_path, module_path)
    colour = fields.colours[0]
    report: dict[str, Any] = {
        "color": colour,
        "seed": seed,
        "directions": directions,
        "saccades": saccades,
        "published": [one.as_dict() for one in SACCADES],
        "eyes": {},
        "extrapolated": [],
    }
    found, notes, missing = [], [], []
    steps: list[StepReport] = []
    with talk.progress("drawing time samples", total=len(module.eyes)) as step:
        for place, eye in enumerate(assemble_eyes(fields, module, side=side)):
            seams: list[dict[str, Any]] = []
            lacking = motion_not_known(fields, eye.channels, "tracker budget of the seam")
            if lacking is not None and eye.has_seam:
                report["eyes"][eye.side] = {"seams": _unknown(eye, lacking), ADVICE: None}
                missing += [lacking, not_in_step(eye, lacking)]
                continue
            pairs = eye.overlaps()
            in_step = step_report(eye, pairs, limit_arcmin=limit.seam_arcmin)
            steps.append(in_step)
            missing += in_step.missing
            for number_of_pair, pair in enumerate(pairs):
                report["extrapolated"] += within_capture(
                    talk,
                    fields,
                    pair.channels,
                    eye.eye_box.corners,
                    extrapolate=extrapolate,
                    tangent=pair.tangent,
                )
                result = seam_budget(
                    eye,
                    pair,
                    tracker=tracker,
                    limit=limit,
                    motion=motion,
                    lookup_nodes=lookup,
                    residual_sigma_arcmin=residual_arcmin,
                    directions=directions,
                    samples=samples,
                    seed=seed,
                )
                step_figures = {KEY: in_step.seam(number_of_pair)}
                seams.append({"channels": list(pair.channels), **result.as_dict(), **step_figures})
                found.append((f"{eye.side} eye, {' and '.join(pair.channels)}", result))
            report["eyes"][eye.side] = {"seams": seams, ADVICE: in_step.advice()}
            if not eye.has_seam:
                notes.append(no_seam(eye))
                report["eyes"][eye.side]["note"] = notes[-1]
            step(f"{eye.side} eye", place + 1)
    if picture is not None and found:
        from prewarp.report.budget import BudgetItem, budget_picture

        write_bytes(
            picture,
            budget_picture([BudgetItem(*one) for one in found], title=f"{module.name}: tracker budget"),
        )
    for name, result in found:
        _print(talk, name, result.as_dict())
    for one_step in steps:
        one_step.say(talk)
    if found:
        talk.text("Eye movement is drawn from published figures:", *(f"  {one.text()}" for one in SACCADES))
    talk.text(*notes)
    report["not_known"] = say_not_known(talk, missing)
    talk.json(report)


def _unknown(eye: Eye, lacking: NotKnown) -> list[dict[str, Any]]:
    """Return the seams of an eye without a verdict: the capture does not show how they move."""
    figures = ("needed", "reasons", "tracked", "fixed", "residual_arcmin", "focus_step_dioptres", "frontier")
    return [
        {
            "channels": list(pair),
            "verdict": None,
            "sentence": lacking.text(),
            **dict.fromkeys((*figures, "longest_latency_ms", "terms", "line_lit_after_frame_start_ms", KEY)),
        }
        for pair in zip(eye.channels[:-1], eye.channels[1:], strict=True)
    ]


def _allowed(accuracy_mm: float | None) -> str:
    """Return the accuracy that is allowed; the search ends at the largest that a tracker may be given."""
    if accuracy_mm is not None and accuracy_mm >= LARGEST_MM:
        return f"{LARGEST_MM:g} or more"
    return number(accuracy_mm, 3)


def _print(talk: Talk, name: str, figures: dict[str, Any]) -> None:
    other = figures["other_saccades"]
    saccades = f"{figures['saccades']} saccades"
    for part, title, end in (
        (figures, f"{name}, {saccades}", ""),
        (other, "other saccades", other["saccades"]),
    ):
        rows = [
            (
                f"{label}, {end}" if end else label,
                *(number(part[key][f"p{p}_arcmin"], 3) for p in (50, 90, 95, 99)),
            )
            for label, key in (
                ("with the given tracker", "tracked"),
                ("fixed correction, no tracker", "fixed"),
            )
        ]
        talk.table(f"Seam error, arcmin: {title}", ("", "50 %", "90 %", "95 %", "99 %"), [("", rows)])
    fraction = f"{figures['limit']['percentile_percent']:g} %"
    talk.text(
        *(
            f"95 % interval of the {fraction} figure {label}, {part['saccades']} saccades: "
            + " to ".join(number(end, 3) for end in part[key]["at_limit_percentile_interval95_arcmin"])
            + " arcmin."
            for part in (figures, other)
            for label, key in (("with the given tracker", "tracked"), ("of the fixed correction", "fixed"))
        )
    )
    edge = [(number(one["latency_ms"], 3), _allowed(one["accuracy_mm"])) for one in figures["frontier"]]
    talk.table(
        "Allowed: latency and accuracy (bias, 1-sigma per axis)",
        ("latency ms", "accuracy mm"),
        [("", edge)],
        text_columns=0,
    )
    costs = [
        (one["term"], number(one["alone_arcmin"], 3), number(one["without_it_arcmin"], 3))
        for one in figures["terms"]
    ]
    talk.table(
        f"What each term costs, arcmin at {figures['limit']['percentile_percent']:g} %",
        ("", "alone", "without it"),
        [("", costs)],
    )
    talk.text(
        figures["sentence"],
        f"Focus step across the seam: {number(figures['focus_step_dioptres'], 2)} dioptres at "
        f"{figures['limit']['percentile_percent']:g} % of its directions. No warp and no tracker mends it.",
        "Pupil outside the eye box: "
        f"{number(figures['tracked']['outside_eye_box_percent'], 2)} % of time samples, not "
        "judged. The polynomial that stands for the seam error is off by "
        f"{number(figures['polynomial_missed_rms_arcmin'], 2)} arcmin RMS.",
    )
