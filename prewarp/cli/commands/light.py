"""`prewarp light`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.checks import FloatArray
from prewarp.cli.arguments import FILE, PupilPosition, module_option, picture_option, require_output_file
from prewarp.cli.displays import (
    channels_in,
    extrapolate_option,
    eye_option,
    read_display,
    within_capture,
)
from prewarp.cli.talk import Talk, number, talking
from prewarp.eye import Eye, assemble_eyes
from prewarp.files import write_bytes
from prewarp.grids import read_grid
from prewarp.photometry.dither import KINDS as DITHERS
from prewarp.photometry.white import KINDS as WHITES
from prewarp.render.seam_light import SeamLight, seam_light
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_picture

# Where the seam is looked at when no pupil is named, as shares of the eye box's half sizes: off any usual
# capture lattice.
_SHARES = np.array([[0.0, 0.0, 0.0], [0.37, -0.41, 0.2], [-0.72, 0.63, -0.3]])
_WHITE_CHROMATICITY_NEEDED = "needs measured chromaticities in the module file"


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@click.argument("grid_path", metavar="GRID", type=FILE)
@module_option(required=True)
@eye_option
@click.option(
    "--white",
    type=click.Choice(WHITES),
    default="none",
    show_default=True,
    help=f"White match: three gains a channel, or a matrix; {_WHITE_CHROMATICITY_NEEDED}.",
)
@click.option(
    "--fall",
    "fall_percent_per_deg",
    type=click.FloatRange(0.0, 50.0),
    default=0.0,
    show_default=True,
    help="How fast luminance may fall off toward dim parts of the field, percent per degree; 0 "
    "keeps one level.",
)
@click.option(
    "--dither", type=click.Choice(DITHERS), default="blue", show_default=True, help="Dither pattern."
)
@click.option("--bits", type=click.IntRange(6, 16), help="Bits per code [default: as in the module].")
@click.option(
    "--level",
    "level_percent",
    type=click.FloatRange(0.1, 100.0),
    default=100.0,
    show_default=True,
    help="Luminance of the uniform field, percent of white.",
)
@click.option(
    "--pupil",
    "pupils",
    type=PupilPosition(),
    multiple=True,
    help="Pupil position to look from, mm [default: three places].",
)
@picture_option("the luminance across the seam")
@extrapolate_option
@talking
def light(
    talk: Talk,
    fit_path: Path,
    grid_path: Path,
    module_path: Path,
    side: str | None,
    white: str,
    fall_percent_per_deg: float,
    dither: str,
    bits: int | None,
    level_percent: float,
    pupils: tuple[np.ndarray, ...],
    picture: Path | None,
    extrapolate: bool,
) -> None:
    """Match the channels in luminance and white, say what that costs, and give the step at the seam before
    and after.

    The grid's column 'luminance' gives a map for every channel and colour over the eye box. The dimmest place
    sets one level for all channels. A uniform field is then drawn on the panels with their bits and looked at
    through the maps, averaged over a tenth of a degree. A step is relative: the difference of both sides over
    their mean. The maps would judge their own match too kindly, so steps include what the samples leave open
    of the maps: the expected step, and the step that is not exceeded with 95 % probability.

    Caution: luminance that is worn has limits for the eye's safety and comfort. They are not judged here:
    follow local codes and licensed practice.

    \b
    Example:
      prewarp light visor.fit.npz capture.csv --module visor.toml --picture light.png
    """
    if picture is not None:
        require_output_file(picture, fit_path, grid_path, module_path)
    fields, module = read_display(fit_path, module_path)
    grid = read_grid(grid_path)
    places = np.array(pupils) if pupils else _SHARES * module.eye_box.half_mm
    result: dict[str, Any] = {"dither": dither, "level_percent": level_percent, "eyes": {}}
    result["extrapolated"] = within_capture(
        talk, fields, channels_in(fields, module, side), places, extrapolate=extrapolate
    )
    drawn: list[ProfilePair] = []
    with talk.progress("matching light") as step:
        for eye in assemble_eyes(
            fields, module, side=side, luminance=grid, white=white, fall_percent_per_deg=fall_percent_per_deg
        ):
            step(f"{eye.side} eye: matched", 1)
            views = []
            for place in places if eye.has_seam else ():
                view = seam_light(eye, pupil_mm=place, bits=bits, dither=dither, level=level_percent / 100.0)
                views.append(view)
                step(f"{eye.side} eye: seam looked at from {_place(place)} mm", 2)
                title = f"{eye.side} eye, {view.worst}, pupil at {_place(place)} mm"
                drawn.append(ProfilePair(title, view.before[view.worst], view.after[view.worst]))
            result["eyes"][eye.side] = _figures(eye, places, views)
            _print_eye(talk, eye, places, views)
    if picture is not None and drawn:
        write_bytes(
            picture, luminance_profile_picture(drawn, title=f"{module.name}: luminance across the seam")
        )
        talk.text(f"{picture}: written.")
    talk.json(result)


def _place(pupil: np.ndarray) -> str:
    return "(" + ", ".join(f"{value:.3g}" for value in pupil) + ")"


def _figures(eye: Eye, places: FloatArray, views: list[SeamLight]) -> dict[str, Any]:
    match = eye.require_match()
    return {
        "maps": [
            {"channel": channel, "color": colour, **own.figures.as_dict()}
            for (channel, colour), own in match.maps.maps.items()
        ],
        "match": match.as_dict(),
        "seam": [
            {"pupil_mm": place.tolist(), "colors": view.as_dict()}
            for place, view in zip(places, views, strict=False)
        ],
        "not_known": [{key: one[key] for key in ("quantity", "why", "needs")} for one in _not_known(views)],
    }


def _not_known(views: list[SeamLight]) -> list[dict[str, str]]:
    """Return what the samples leave open altogether, why, what it needs, and the same in a sentence."""
    told = [figures["after"]["step_percent"] for view in views for figures in view.as_dict().values()]
    if None not in told:
        return []
    why = "luminance was measured from pupil positions on one line, which say nothing beside it"
    needs = "luminance from pupil positions that spread over an area"
    return [
        {
            "quantity": "step_percent",
            "why": why,
            "needs": needs,
            "text": f"Step across the seam: not known: {why}; needs {needs}.",
        }
    ]


def _print_eye(talk: Talk, eye: Eye, places: FloatArray, views: list[SeamLight]) -> None:
    match = eye.require_match()
    rows = [
        (
            f"{channel} {colour}",
            str(own.figures.samples),
            str(len(own.figures.outlier_rows)),
            str(own.figures.beyond_edge),
            number(own.figures.residual_rms_percent, 3),
            number(own.figures.cross_validated_rms_percent, 3),
        )
        for (channel, colour), own in match.maps.maps.items()
    ]
    talk.table(
        f"Luminance maps, {eye.side} eye",
        ("", "samples", "faults", "past vignetting edge", "residual %", "at pupils left out %"),
        [("", rows)],
    )
    seen, opened = [], []
    for place, view in zip(places, views, strict=False):
        for name, figures in view.as_dict().items():
            before, after = figures["before"], figures["after"]
            label = f"pupil {_place(place)} mm, {name}"
            told = [one[key] for one in (before, after) for key in ("step_percent", "ripple_percent")]
            seen.append((label, *(number(one, 3) for one in told)))
            told = [after[f"{key}_percent"] for key in ("step_bound95", "ripple_bound95", "step_by_map")]
            opened.append((f"{label}, after", *(number(one, 3) for one in told)))
    if seen:
        talk.table(
            "Across the seam, worst of all lines; a step is relative (difference of both sides "
            "over their mean) and includes what the samples leave uncertain in the maps",
            ("", "step before %", "ripple before %", "step after %", "ripple after %"),
            [("", seen)],
        )
        talk.table(
            "Upper bounds at 95 % probability, and the step if the maps were exact",
            ("", "step under %", "ripple under %", "step by the maps alone %"),
            [("", opened)],
        )
    talk.text(*(one["text"] for one in _not_known(views)))
    for cost in match.costs:
        x, y = cost.limit_direction_deg
        place = f"({x:.1f}, {y:.1f}) degrees from pupil {_place(np.array(cost.limit_pupil_mm))} mm"
        talk.text(
            f"{cost.colour}: the match keeps {cost.kept_percent:.1f} % of the luminance; "
            f"'{cost.limit_channel}' at {place} allows no more."
        )
    if match.white.kind != "none":
        talk.text(f"White match ({match.white.kind}): keeps {100.0 * match.white.luminance:.1f} % of that.")
        if match.white.disagreement > 0.05:
            talk.text(
                "The chromaticities and the luminance column disagree by "
                f"{100.0 * match.white.disagreement:.0f} % between channels: one of them is wrong."
            )
    talk.text(f"{eye.name}: {match.kept_percent:.1f} % of the luminance is kept in all.")
