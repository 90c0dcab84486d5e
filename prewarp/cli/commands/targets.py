"""`prewarp targets`."""

from pathlib import Path
from typing import Any, cast

import click

from prewarp.capture.dots import dot_lattice
from prewarp.capture.guide import CAUTIONS
from prewarp.capture.needed import (
    DIFFERENCE_POSITIONS,
    FREE_POSES_NODES,
    MOST_DOTS,
    CaptureNeeded,
    capture_needed,
    traced_fit,
)
from prewarp.capture.panel_png import drawing_bytes
from prewarp.capture.positions import DEPTH_MM, TURN_DEG
from prewarp.capture.schedule import CODED, EVERY, ONCE, ONE_FRAME, CaptureSettings
from prewarp.capture.seam_marks import SeamMarks, seam_marks
from prewarp.capture.targets import Targets, planned_targets, write_targets
from prewarp.cli.arguments import FILE, Counts, output_option, wanted_error_option
from prewarp.cli.talk import Talk, talking
from prewarp.errors import CaptureError
from prewarp.field import FieldSet
from prewarp.files import MEBIBYTE
from prewarp.folders import require_output_folder
from prewarp.memory import require_memory
from prewarp.module import DisplayModule, read_module
from prewarp.trace import read_design

DOTS = (33, 33)
# A line knows its camera; only plans that calibrate themselves turn it.
FEWEST_TURNED = 5


class NumberList(click.ParamType[tuple[float, ...]]):
    """Numbers joined by commas, such as 4,28; whole ones where `whole`."""

    def __init__(self, kind: type[int] | type[float], such_as: str, range_text: str) -> None:
        self.kind, self.such_as, self.range_text = kind, such_as, range_text
        self.name = "N,N,..."

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return the numbers; their range is the settings' affair."""
        if isinstance(value, tuple):
            return value
        try:
            return tuple(self.kind(one) for one in value.split(","))
        except ValueError:
            what = "whole numbers" if self.kind is int else "numbers"
            self.fail(f"{value!r}: expected {what} joined by commas, such as {self.such_as}.", param, ctx)


@click.command(epilog="Cautions. " + " ".join(CAUTIONS))
@click.argument("module_path", metavar="MODULE", type=FILE)
@click.option(
    "--positions",
    type=click.IntRange(1, 1600),
    help="Pupil positions of each eye: 2 for a unit of a line, 8 with an earlier fit or a "
    "design, 25 and more without [default: 25, or as many as --fit or --design need].",
)
@click.option(
    "--dots",
    type=Counts(2, 858),
    help="Dots across and down each panel, 1716 at most [default: 33x33, or as --fit or --design need].",
)
@click.option(
    "--radius",
    type=click.FloatRange(1.5, 1000.0),
    help="Radius of dots, px [default: a tenth of their pitch].",
)
@click.option(
    "--marks",
    type=click.Choice((CODED, ONE_FRAME)),
    default=CODED,
    show_default=True,
    help="coded: all dots together, and named by 13 code frames; one-frame: marks of two sizes "
    "that name themselves, for a bench that drifts.",
)
@click.option(
    "--codes",
    type=click.Choice((ONCE, EVERY)),
    default=ONCE,
    show_default=True,
    help="once: code frames once per channel and pose, in the reference colour at the shortest "
    "exposure; every: in every colour and exposure.",
)
@click.option(
    "--sines",
    is_flag=True,
    help="Also show shifted sines of two periods along each axis, for dense sampling.",
)
@click.option("--no-light", is_flag=True, help="Leave out uniform fields and ramp; show dots alone.")
@click.option(
    "--exposures",
    type=NumberList(int, "4,28", "1 to 8 numbers of 1 to 100000"),
    default="4,28",
    show_default=True,
    help="Exposures in panel frames, whole and rising numbers: a bracket, as light may vary by "
    "a factor of 50 over the field.",
)
@click.option(
    "--refresh",
    "refresh_hz",
    type=click.FloatRange(1.0, 1000.0),
    default=60.0,
    show_default=True,
    help="Frame rate of the panels, Hz.",
)
@click.option(
    "--colors-at",
    "--colours-at",
    "colours_at",
    type=click.IntRange(0, 1600),
    default=0,
    help="Number of positions with every colour; the others have the reference colour alone [default: all].",
)
@click.option(
    "--depth",
    type=NumberList(float, "2,4", "two of 0 to 50 mm"),
    default=",".join(f"{one:g}" for one in DEPTH_MM),
    show_default=True,
    help="Smallest and largest distance of positions from z = 0, mm; neighbours alternate in "
    "sign like a checkerboard.",
)
@click.option(
    "--turn",
    "turn_deg",
    type=click.FloatRange(0.0, 45.0),
    help="Angle of six turned shots from the middle position, which find the camera's entrance "
    f"pupil, degrees; 0: none [default: {TURN_DEG:g}, none below {FEWEST_TURNED} positions].",
)
@click.option(
    "--dark",
    type=click.IntRange(0, 100),
    default=2,
    show_default=True,
    help="Dark frames of each exposure before the dots, and as many after.",
)
@click.option(
    "--camera",
    "cameras",
    multiple=True,
    default=("camera",),
    help="Name of the camera; given twice: of the left and the right eye's camera.",
)
@click.option(
    "--fit", "fit_path", type=FILE, help="Earlier fit, from which needs are computed and seam targets made."
)
@click.option(
    "--design",
    "design_path",
    type=FILE,
    help="Design to trace instead of an earlier fit, from which needs are computed.",
)
@wanted_error_option
@output_option("Folder to write.")
@talking
def targets(
    talk: Talk,
    module_path: Path,
    positions: int | None,
    dots: tuple[int, int] | None,
    radius: float | None,
    marks: str,
    codes: str,
    sines: bool,
    no_light: bool,
    exposures: tuple[int, ...],
    refresh_hz: float,
    colours_at: int,
    depth: tuple[float, ...],
    turn_deg: float | None,
    dark: int,
    cameras: tuple[str, ...],
    fit_path: Path | None,
    design_path: Path | None,
    wanted_px: float,
    output: Path,
) -> None:
    """Write target pictures for every panel, and a plan of the photographs to take of them.

    OUTPUT gets pictures/, plan.csv (one row per photograph), marks.csv (where each dot is, and its name),
    targets.json and GUIDE.md. The plan calibrates itself: depth alternates, positions are jittered, six shots
    are turned. From an earlier fit or a design, the command says how many positions and dots a wanted error
    needs.

    \b
    Examples:
      prewarp targets visor.toml -o targets
      prewarp targets visor.toml --fit visor.fit.npz --positions 8 -o targets
    """
    require_output_folder(output)
    module = read_module(module_path)
    _require_memory(module)
    fields = _fields(talk, module, fit_path, design_path)
    needed = None
    if fields is not None:
        source = str(fit_path or design_path)
        needed = capture_needed(
            fields,
            module,
            wanted_px=wanted_px,
            positions=positions,
            source=source,
            is_traced=fit_path is None,
        )
    each_way = None if needed is None else needed.planned_each_way()
    count = positions or (each_way or FREE_POSES_NODES) ** 2
    settings = CaptureSettings(
        positions=count,
        marks=marks,
        codes=codes,
        sines=sines,
        light=not no_light,
        exposures=exposures,
        refresh_hz=refresh_hz,
        colours_at=colours_at,
        dark=dark,
        # Its length is checked by the settings.
        depth_mm=cast(tuple[float, float], depth),
        turn_deg=turn_deg if turn_deg is not None else TURN_DEG if count >= FEWEST_TURNED else 0.0,
        cameras=cameras,
    )
    dots = dots or _dots(needed)
    seams: tuple[SeamMarks, ...] = ()
    if fit_path is not None and fields is not None:
        smallest = min(
            float(dot_lattice(one.panel.size_px, dots, radius_px=radius).radii.min())
            for one in module.channels
        )
        seams = tuple(seam_marks(module, fields, radius_px=smallest))
    planned = planned_targets(module, settings, dots=dots, radius_px=radius, seams=seams, needed=needed)
    with talk.progress(f"drawing {len(planned.pictures)} pictures", total=len(planned.pictures)) as step:
        size = write_targets(planned, output, progress=step)
    _print(talk, planned, output, size)
    talk.json({**planned.as_dict(), "bytes": size, "pictures": len(planned.pictures)})


def _require_memory(module: DisplayModule) -> None:
    """Raise where the picture of a panel does not fit into memory."""
    panels = (channel.panel for channel in module.channels)
    panel = max(panels, key=lambda one: drawing_bytes(one.size_px, one.bit_depth))
    require_memory(
        drawing_bytes(panel.size_px, panel.bit_depth),
        f"drawing a target of {panel.width_px} x {panel.height_px} px",
        "End other programs, or plan targets for a module with smaller panels.",
    )


def _fields(
    talk: Talk, module: DisplayModule, fit_path: Path | None, design_path: Path | None
) -> FieldSet | None:
    if fit_path is not None and design_path is not None:
        raise CaptureError("--fit and --design are both given; expected one of them. Leave one out.")
    if fit_path is not None:
        return FieldSet.load(fit_path)
    if design_path is None:
        return None
    with talk.progress(f"tracing and fitting {design_path.name}"):
        return traced_fit(read_design(design_path), module)


def _dots(needed: CaptureNeeded | None) -> tuple[int, int]:
    """Return the dots to plan: as needed, at least the usual, and no more than have names."""
    if needed is None or needed.dots_each_way is None:
        return DOTS
    each_way = min(max(needed.dots_each_way, *DOTS), MOST_DOTS)
    return each_way, each_way


def _few(planned: Targets) -> list[str]:
    """Say what fewer positions than free poses need are good for."""
    count, least = planned.settings.positions, FREE_POSES_NODES**2
    if count >= least:
        return []
    enough = (
        "They are enough for the difference to an earlier fit or to a design's trace ('prewarp fit --base')."
        if count >= DIFFERENCE_POSITIONS
        else f"The difference to an earlier fit or to a design's trace needs {DIFFERENCE_POSITIONS}; a unit "
        "of a line needs 2 ('prewarp line run')."
    )
    return [
        f"{count} position{'' if count == 1 else 's'} cannot determine both a whole field and where the "
        f"camera stood: that needs {least} or more ({FREE_POSES_NODES} x {FREE_POSES_NODES}). {enough}"
    ]


def _print(talk: Talk, planned: Targets, output: Path, size: int) -> None:
    summary = planned.as_dict()
    rows = [
        (
            name,
            "x".join(map(str, one["panel_px"])),
            str(one["bit_depth"]),
            "x".join(map(str, one["dots"])),
            f"{one['pitch_px']:g}",
            f"{one['radius_px']:g}",
        )
        for name, one in summary["channels"].items()
    ]
    talk.table(
        f"Targets of {planned.module.name}",
        ("channel", "panel px", "bits", "dots", "pitch px", "radius px"),
        [("", rows)],
    )
    kinds = ", ".join(f"{count} {kind}" for kind, count in summary["photographs_by_kind"].items())
    talk.text(
        f"{summary['photographs']} photographs from {summary['poses']} poses ({summary['turned_poses']} "
        f"turned): {kinds}.",
        f"exposures: {', '.join(map(str, summary['exposures_panel_frames']))} frames of a panel at "
        f"{summary['refresh_hz']:g} Hz (--refresh); together {summary['exposure_minutes']:.1f} min.",
        *([] if planned.needed is None else planned.needed.lines()),
        *_few(planned),
        *(
            f"measure the distance from pose {one['pose_a']} to {one['pose_b']} (planned "
            f"{one['planned_mm']:.3f} mm): no photograph shows the common scale of the positions."
            for one in summary["known_distances"]
        ),
        f"{output}: {len(planned.pictures)} pictures, {size / MEBIBYTE:.1f} MiB written; GUIDE.md says how "
        "to take the photographs.",
        *(f"caution: {one}" for one in CAUTIONS),
    )
