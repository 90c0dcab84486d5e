"""`prewarp extract`."""

from pathlib import Path

import click

from prewarp.capture.extract.aperture import KEEP, REMOVE
from prewarp.capture.extract.whole import Extraction, extract_plan, work_folder_of
from prewarp.cli.arguments import FILE, output_option, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.field import FieldSet
from prewarp.grids import write_grid

SOMETHING_REFUSED = 1
_MOST_LINES = 40


@click.command()
@click.argument("plan_path", metavar="PLAN", type=FILE)
@click.option("--photographs", "folder", type=FILE, required=True, help="Folder of the photographs.")
@click.option("--camera", "camera_path", type=FILE, required=True, help="Camera file (TOML or JSON).")
@click.option(
    "--marks", "marks_path", type=FILE, help="Marks of the targets [default: marks.csv beside PLAN]."
)
@click.option(
    "--aperture",
    type=click.Choice((REMOVE, KEEP)),
    default=REMOVE,
    show_default=True,
    help="A camera's directions are means over its pupil. remove: correct that by the field of "
    "all poses; keep: leave directions as those of an eye with such a pupil.",
)
@click.option(
    "--base",
    "base_path",
    type=FILE,
    help="Earlier fit, or fit of the design's trace (NPZ), that says how directions vary over "
    "the camera's pupil [default: the field of all poses; with few poses at wrong places "
    "it may be off by 0.1 arcmin].",
)
@click.option(
    "--dense",
    type=click.IntRange(0, 4),
    default=2,
    show_default=True,
    help="Where the plan has sines: into how many parts to divide the distance of dots. 1 only "
    "compares sines with the dots, 0 ignores sines.",
)
@click.option("--no-pictures", is_flag=True, help="Draw no pictures of what was found.")
@click.option(
    "--jobs", type=click.IntRange(1, 64), help="Processes [default: one a core, fewer where memory is short]."
)
@output_option("Grid to write: .csv, .csv.gz or .npz.")
@talking
@click.pass_context
def extract(
    ctx: click.Context,
    talk: Talk,
    plan_path: Path,
    folder: Path,
    camera_path: Path,
    marks_path: Path | None,
    aperture: str,
    base_path: Path | None,
    dense: int,
    no_pictures: bool,
    jobs: int | None,
    output: Path,
) -> None:
    """Find the dots of photographed targets and write a distortion grid.

    PLAN is the plan.csv of 'prewarp targets', or its folder. Photographs are PNG or TIFF of 8 or 16 bits, or
    raw files of a sensor without colour filters (extra 'raw'), named as the plan says. A dot is named by its
    code, its strength and its place together; the codes also serve to take out the light of ghosts and
    neighbours. Dots that are partly covered or saturated are left out and listed. A pose whose names do not
    agree is refused whole, and the rest goes on. One-frame marks are named by their sizes; photographs of
    exchanged channels are reported. Shifted sines give points between the dots (mark -1); the command says
    how far they differ from the dots of the same pose.

    Beside GRID, a folder of its name with '.extract' keeps the result of each pose, a picture of each view
    and report.json; with seam frames (seam.csv beside PLAN) also pairs.csv, which 'register' reads. Started
    again with the same inputs, the command does not measure again the poses that are already there.

    Exit code 1 if a view was refused; the grid holds the others.

    \b
    Example:
      prewarp extract targets/plan.csv --photographs shots --camera bench.toml -o bench.grid.npz
    """
    work = work_folder_of(output)
    require_output_file(output, plan_path if plan_path.is_file() else None, camera_path, marks_path)
    with talk.progress("extracting") as step:
        done = extract_plan(
            plan_path,
            folder,
            camera_path,
            work,
            marks_path=marks_path,
            aperture=aperture,
            pictures=not no_pictures,
            jobs=jobs,
            progress=step,
            base=None if base_path is None else FieldSet.load(base_path),
            dense=dense,
        )
        write_grid(output, done.grid)
    _print(talk, done)
    talk.text(f"{output}: {len(done.grid)} rows written; {work}: pictures and report.json.")
    talk.json(done.as_dict())
    ctx.exit(SOMETHING_REFUSED if done.refused else 0)


def _sines(done: Extraction) -> list[str]:
    """Return how many points sines gave, and how far they are off the dots, over all views."""
    told = [one["sines"] for _, _, one in done.views() if one.get("sines")]
    compared = [one for one in told if "difference_px_rms" in one]
    if not compared:
        return []
    worst = max(compared, key=lambda one: one["difference_px_rms"])
    points, shown = (sum(one[key] for one in told) for key in ("points", "of_points"))
    return [
        f"sines: {points} of {shown} points between dots; from the dots themselves they differ by "
        f"{worst['difference_px_rms']:.4f} px RMS at most, where {worst['difference_expected_px_rms']:.4f} "
        "are expected."
    ]


def _print(talk: Talk, done: Extraction) -> None:
    rows = []
    for name, label, figures in done.views():
        if "refused" in figures:
            rows.append((name, label, "refused", *["-"] * 7))
            continue
        states = figures["states"]
        found = states.get("found", 0)
        ghosts = figures["ghosts"]
        rows.append(
            (
                name,
                label,
                str(found),
                str(sum(states.values()) - found),
                str(figures["not_seen"]),
                number(figures["sigma_px_median"], 2),
                number(figures["blur_px"], 3),
                number(figures["camera_px_per_panel_px"], 3),
                number(figures["drift_px"], 2),
                number(ghosts and 100.0 * ghosts["strength_median"], 3),
            )
        )
    head = (
        "pose",
        "view",
        "found",
        "refused",
        "not seen",
        "sigma px",
        "blur px",
        "ratio",
        "drift px",
        "ghost %",
    )
    shown = rows if len(rows) <= _MOST_LINES else rows[: _MOST_LINES - 1]
    talk.table("Dots by pose, channel and colour", head, [("", shown)], text_columns=2)
    if len(shown) < len(rows):
        talk.text(f"... and {len(rows) - len(shown)} more views; report.json has them all.")
    talk.text(
        "sigma: median 1-sigma of a dot's place, px of the photograph by axis; ratio: photograph px per "
        "panel px."
    )
    talk.text(*done.notes)
    talk.text(*_sines(done))
    if done.report["seam_pairs"]:
        talk.text(
            f"{done.report['seam_pairs']} seam pairs for 'register' in pairs.csv; their steps are "
            "means over the camera's pupil."
        )
    findings = done.in_short
    talk.text(*findings[:_MOST_LINES])
    if len(findings) > _MOST_LINES:
        talk.text(f"... and {len(findings) - _MOST_LINES} more lines; report.json has them all.")
    ghost = done.report["ghost"]
    if ghost is not None:
        talk.text(
            f"ghosts of {ghost['dots_with_a_ghost']} of {ghost['of_dots']} dots seen: median "
            f"{100.0 * ghost['strength_median']:.2f} %, largest {100.0 * ghost['strength_largest']:.2f} "
            "% of the dot."
        )
    talk.text(done.aperture.words, done.luminance)
