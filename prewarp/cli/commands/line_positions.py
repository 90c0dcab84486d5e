"""`prewarp line positions`."""

import csv
import io
from pathlib import Path

import click

from prewarp.cli.arguments import FILE, output_option, pose_offset_option, pose_turn_option
from prewarp.cli.talk import Talk, number, talking
from prewarp.files import json_text, write_bytes, write_text
from prewarp.folders import output_folder, require_output_folder
from prewarp.line.positions import MOST, PositionsSettings, choices
from prewarp.line.rows import PosePrior
from prewarp.line.shapes import mode_shapes
from prewarp.line.storage import read_family

_COLUMNS = ("pupil_x_mm", "pupil_y_mm", "pupil_z_mm")


@click.command()
@click.argument("family_path", metavar="FAMILY", type=FILE)
@click.option(
    "--count",
    type=click.IntRange(1, MOST),
    default=2,
    show_default=True,
    help="Camera positions of every unit.",
)
@click.option(
    "--most",
    type=click.IntRange(1, MOST),
    default=9,
    show_default=True,
    help="Largest number of positions that is compared.",
)
@click.option(
    "--dots",
    type=click.IntRange(40, 1_000_000),
    default=300,
    show_default=True,
    help="Dots of a channel that one shot shows, in one colour.",
)
@click.option(
    "--noise",
    type=click.FloatRange(1e-4, 10.0),
    default=0.05,
    show_default=True,
    help="Noise of a dot, panel px, 1-sigma along each axis.",
)
@pose_offset_option
@pose_turn_option
@output_option("Folder to write: positions.csv, positions.json, positions.png, modes.png.")
@talking
def positions(
    talk: Talk,
    family_path: Path,
    count: int,
    most: int,
    dots: int,
    noise: float,
    pose_offset: float,
    pose_turn: float,
    output: Path,
) -> None:
    """Say where cameras should stand so that units are known best, and how well for each number of positions.

    The command starts from what the tolerances of the family leave open. It chooses positions so that the
    mean variance of place over field and eye box is least (I-optimality), with position and pointing of every
    shot unknown. For each number of positions it also gives what a regular lattice and sets drawn by lot
    would reach. Shift, turn and scale common to all shots are left out: no capture can tell them from its
    poses.

    It writes the chosen positions (positions.csv), all figures (positions.json), a plot of error against
    number of positions, and what one sigma of the largest tolerances does to the picture (modes.png).

    \b
    Example:
      prewarp line positions visor.family.npz --count 2 -o positions
    """
    require_output_folder(output)
    family = read_family(family_path)
    settings = PositionsSettings(dots, noise, PosePrior(pose_offset, pose_turn))
    with talk.progress("positions") as step, output_folder(output) as folder:
        found = choices(family, max(count, most), settings=settings, progress=lambda text: step(text, 0))
        step("drawing", 0)
        # The plot library is slow to import; it is loaded only where it is used.
        from prewarp.report.line_positions import modes_picture, positions_picture

        chosen = found[count - 1]
        figures = {
            "family": family_path.name,
            "count": count,
            "dots": dots,
            "noise_px": noise,
            "pose_offset_mm": pose_offset,
            "pose_turn_arcmin": pose_turn,
            "choices": [one.as_dict() for one in found],
        }
        stream = io.StringIO(newline="")
        rows = [[f"{one:.6g}" for one in place] for place in chosen.positions_mm]
        csv.writer(stream, lineterminator="\n").writerows([_COLUMNS, *rows])
        write_text(folder / "positions.csv", stream.getvalue())
        write_text(folder / "positions.json", json_text(figures))
        picture = positions_picture(found, count, family.pupil_box_mm, title=family_path.name)
        write_bytes(folder / "positions.png", picture)
        shapes = mode_shapes(family)
        title = (
            f"{family_path.name}: what one sigma moves, the largest of {len(shapes)}; each to its own scale"
        )
        write_bytes(folder / "modes.png", modes_picture(shapes, title=title))
    table = [
        (
            str(len(one.positions_mm)),
            number(one.rms_px),
            "-" if one.regular_px is None else number(one.regular_px),
            *(number(value) for value in one.random_px.tolist()),
        )
        for one in found
    ]
    head = ("positions", "chosen", "regular", "by lot, middle", "best", "worst")
    talk.table("Predicted error of place, RMS px", head, [("", table)])
    places = "; ".join(", ".join(f"{value:g}" for value in place) for place in chosen.positions_mm)
    talk.text(f"Camera positions x, y, z, mm: {places}.", f"{output}: written.")
    talk.json(figures)
