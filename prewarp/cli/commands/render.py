"""`prewarp render`."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.cli.arguments import FILE, PupilPosition, gl_option, module_option, output_option
from prewarp.cli.displays import (
    channels_in,
    extrapolate_option,
    feather_option,
    read_display,
    say_gaps,
    within_capture,
)
from prewarp.cli.talk import Talk, talking
from prewarp.cli.turning import require_turn, turning_options
from prewarp.content import ContentProjection
from prewarp.errors import InputFileError
from prewarp.eye import Eye, assemble_eyes
from prewarp.files import file_stems, json_text, write_bytes, write_text
from prewarp.folders import output_folder, require_output_folder
from prewarp.grids import read_grid
from prewarp.head import HeadTurn
from prewarp.memory import require_memory
from prewarp.module import DisplayModule
from prewarp.photometry import panel_light
from prewarp.photometry.dither import KINDS as DITHERS
from prewarp.render.cpu import panel_meshes, view_maps
from prewarp.render.drawing import Drawing, open_drawing
from prewarp.render.pictures import filling, png_bytes, read_picture
from prewarp.render.scenes import SCENES, scene

LARGEST_VIEW_PX = 8192
# Codes, linear light and maps of all panels of an eye, by measurement (CPU and EGL alike).
_BYTES_PER_PX = 32


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@click.option(
    "--scene",
    "content",
    default="grid",
    show_default=True,
    metavar="NAME|FILE",
    help=f"Content: {', '.join(SCENES)}, or a picture file (scaled to fill the module's content).",
)
@click.option(
    "--pupil", type=PupilPosition(), default="0,0,0", show_default=True, help="Where the pupil truly is, mm."
)
@click.option(
    "--tracked", type=PupilPosition(), help="Where the tracker says it is, mm [default: as --pupil]."
)
@click.option(
    "--width",
    type=click.IntRange(64, LARGEST_VIEW_PX),
    default=1600,
    show_default=True,
    help="Width of the view, px.",
)
@click.option(
    "--light",
    "light_path",
    type=FILE,
    help="Grid with luminance: match the channels by gains, and show them as bright as measured.",
)
@click.option(
    "--unmatched",
    is_flag=True,
    help="With --light: show the channels unmatched, to see what the match corrects.",
)
@click.option(
    "--dither",
    type=click.Choice(DITHERS),
    default="none",
    show_default=True,
    help="Dither pattern of the panels.",
)
@feather_option
@turning_options
@gl_option
@output_option("Folder to write: panel pictures, views, render.json.")
@extrapolate_option
@talking
def render(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    content: str,
    pupil: np.ndarray,
    tracked: np.ndarray | None,
    width: int,
    light_path: Path | None,
    unmatched: bool,
    dither: str,
    feather_deg: float | None,
    head_rate: tuple[float, float, float],
    drawn_for_ms: float,
    late: bool,
    gl: str,
    output: Path,
    extrapolate: bool,
) -> None:
    """Draw the pre-warped panel pictures and what the eye sees of them.

    Give --tracked to see what a wrong eye tracker does. The command writes one view per eye and one panel
    picture per channel, named by eye and channel, such as panel_right_inner.png (render.json lists them).
    Directions that no channel lights stay dark, and the command says so. Panels are taken as evenly lit,
    unless --light gives their luminance: the view then shows the measured luminance, with the brightest place
    of the unmatched panels as white. With --head-rate the head turns while lines are lit; the view is that of
    an eye that keeps still in the world, in the head pose that the content is drawn for.

    Caution: the pictures are for judging geometry on a monitor. Before they go to a display that is worn,
    limit its luminance and avoid flashing content; stop at eye strain, headache or nausea. Local codes and
    licensed practice come first.

    \b
    Examples:
      prewarp render visor.fit.npz --module visor.toml -o look
      prewarp render visor.fit.npz --module visor.toml --scene harbour --pupil 3,0,0 --tracked 0,0,0 -o moved
      prewarp render visor.fit.npz --module visor.toml --light capture.csv -o matched
      prewarp render visor.fit.npz --module visor.toml --head-rate 100 --no-late-rotation -o split
    """
    if unmatched and light_path is None:
        raise click.UsageError("--unmatched needs --light with a grid that holds luminance.")
    require_output_folder(output)
    tracked = pupil if tracked is None else tracked
    fields, module = read_display(fit_path, module_path)
    extrapolated = within_capture(
        talk, fields, channels_in(fields, module), [pupil, tracked], extrapolate=extrapolate
    )
    _require_memory(module)
    head = HeadTurn.of_angles(*head_rate, drawn_for_ms=drawn_for_ms)
    image = _content(content, module)
    grid = None if light_path is None else read_grid(light_path)
    whole = module.content
    view = ContentProjection(
        whole.projection,
        (width, max(round(width * whole.size_px[1] / whole.size_px[0]), 16)),
        whole.field_x_deg,
    )
    with output_folder(output) as folder, open_drawing(gl) as drawing:
        report = {
            "renderer": drawing.name,
            "scene": content,
            "pupil_mm": pupil.tolist(),
            "tracked_pupil_mm": tracked.tolist(),
            "extrapolated": extrapolated,
            "dither": dither,
            **({} if head.is_still else {"head": _head_figures(head_rate, drawn_for_ms, late)}),
            "eyes": {},
        }
        with talk.progress("drawing", total=len(module.eyes)) as step:
            eyes = assemble_eyes(fields, module, luminance=grid, feather_deg=feather_deg)
            for place, eye in enumerate(eyes):
                require_turn(eye, head)
                look = _Look(eye, pupil, tracked, unmatched, dither, head, late)
                report["eyes"][eye.side] = _draw_eye(drawing, folder, look, image, view)
                report["eyes"][eye.side]["gaps"] = say_gaps(talk, eye, pupil)
                step(f"{eye.side} eye drawn", place + 1)
        write_text(folder / "render.json", json_text(report))
    talk.text(f"{output}: written with {drawing.name}.")
    talk.json(report)


def _require_memory(module: DisplayModule) -> None:
    """Raise where the panel pictures of an eye do not fit into memory."""
    panels = [[channel.panel for channel in module.channels_of(eye)] for eye in module.eyes]
    pixels = max(sum(panel.width_px * panel.height_px for panel in own) for own in panels)
    require_memory(
        _BYTES_PER_PX * pixels,
        f"drawing panels of {pixels / 1e6:.4g} million pixels",
        "End other programs, or draw a module with smaller panels.",
    )


def _content(name: str, module: DisplayModule) -> np.ndarray:
    if name in SCENES:
        return scene(name, module.content.size_px)
    if not Path(name).exists():
        raise InputFileError(
            f"'{name}' is neither a scene ({', '.join(SCENES)}) nor a picture file. Check the name.",
            path=name,
        )
    return filling(read_picture(Path(name)), module.content.size_px)


@dataclass(frozen=True)
class _Look:
    """From where one eye is drawn, and how: true and tracked pupil, luminance matched or not, dither of the
    panels, how the head turns and whether lines are turned with it.
    """

    eye: Eye
    pupil_mm: FloatArray
    tracked_pupil_mm: FloatArray
    unmatched: bool
    dither: str
    head: HeadTurn
    late: bool


def _head_figures(rate: tuple[float, float, float], drawn_for_ms: float, late: bool) -> dict[str, Any]:
    names = ("yaw_deg_per_s", "pitch_deg_per_s", "roll_deg_per_s")
    return {**dict(zip(names, rate, strict=True)), "drawn_for_ms": drawn_for_ms, "late_rotation": late}


def _draw_eye(
    drawing: Drawing, folder: Path, look: _Look, image: NDArray[np.uint8], view: ContentProjection
) -> dict[str, Any]:
    """Draw panels and view of an eye; measured luminance as a share of the brightest place of any panel."""
    eye, match = look.eye, None if look.unmatched else look.eye.match
    meshes = {
        name: panel_meshes(
            eye.fields,
            name,
            eye.content,
            tracked_pupil_mm=look.tracked_pupil_mm,
            seam=eye.seam,
            match=match,
            scan=eye.scans[name],
            head=eye.head_turn(look.head) if look.late else None,
        )
        for name in eye.channels
    }
    panels = drawing.panels(
        image,
        meshes,
        transfers=eye.transfers,
        bit_depths=eye.bit_depths,
        lights={name: panel_light(match, name, dither=look.dither) for name in eye.channels},
    )
    files = {}
    pictures = {name: f"panel_{eye.side}_{stem}.png" for name, stem in file_stems(eye.channels).items()}
    for name, picture in pictures.items():
        files[picture] = f"panel of channel '{name}', codes scaled to 8 bits"
        write_bytes(folder / picture, png_bytes(panels[name].shown()))
    luminance, light = None, {}
    if eye.match is not None:
        highest = eye.brightest(look.pupil_mm)
        luminance = eye.match.maps.shares(highest)
        figures = {
            "matched": not look.unmatched,
            "brightest_relative": highest,
            "match": eye.match.as_dict(),
        }
        light = {"light": figures}
    maps = {
        name: view_maps(
            eye.fields,
            name,
            view,
            pupil_mm=look.pupil_mm,
            luminance=luminance,
            scan=eye.scans[name],
            head=look.head,
        )
        for name in eye.channels
    }
    files[f"view_{eye.side}.png"] = (
        f"what the {eye.side} eye sees, {view.field_x_deg:g} degrees wide, {view.projection}"
    )
    write_bytes(folder / f"view_{eye.side}.png", png_bytes(drawing.view(maps, view)))
    return {
        "channels": list(eye.channels),
        "panels": pictures,
        "feather_deg": eye.seam.feather_deg,
        "edge_deg": eye.edge_deg,
        **light,
        "files": files,
    }
