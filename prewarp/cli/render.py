"""`prewarp render`."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import click
import numpy as np

from prewarp.cli.arguments import FILE, PupilPosition, gl_option, module_option, output_option
from prewarp.cli.talk import Talk, talking
from prewarp.content import ContentProjection
from prewarp.encoding import transfer_of_panel
from prewarp.errors import InputFileError
from prewarp.field import FieldSet
from prewarp.files import json_text, output_folder, write_bytes, write_text
from prewarp.grids import read_grid
from prewarp.module import Channel, DisplayModule, read_module
from prewarp.photometry import LightMatch, LuminanceMaps, panel_light
from prewarp.photometry.dither import KINDS as DITHERS
from prewarp.photometry.lighting import Lighting, lighting
from prewarp.render.cpu import panel_meshes, view_maps
from prewarp.render.drawing import Drawing, open_drawing
from prewarp.render.pictures import filling, png_bytes, read_picture
from prewarp.render.scenes import SCENES, scene
from prewarp.seam import Seam, build_seam

LARGEST_VIEW_PX = 8192


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
    help="Grid with luminance: match the channels by gains, and see how bright they are.",
)
@click.option("--unmatched", is_flag=True, help="With --light: leave the match out, to see what it mends.")
@click.option(
    "--dither",
    type=click.Choice(DITHERS),
    default="none",
    show_default=True,
    help="Dither pattern of the panels.",
)
@gl_option
@output_option("Folder to write: panel pictures, views, render.json.")
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
    gl: str,
    output: Path,
) -> None:
    """Draw the pre-warped panel pictures and what the eye sees of them.

    Give --tracked to see what a wrong eye tracker does. Per eye one view is written; per channel one panel picture.
    Panels are taken as evenly lit, unless --light brings their luminance: the view then holds what is measured, with
    the brightest place of the unmatched panels as white.

    Caution: the pictures are for judging geometry on a monitor. Before they go to a display that is worn, limit its
    luminance and avoid flashing content; stop at eye strain, headache or nausea. Local codes and licensed practice
    come first.

    \b
    Examples:
      prewarp render visor.fit.npz --module visor.toml -o look
      prewarp render visor.fit.npz --module visor.toml --scene harbour --pupil 3,0,0 --tracked 0,0,0 -o moved
      prewarp render visor.fit.npz --module visor.toml --light capture.csv -o matched
    """
    if unmatched and light_path is None:
        raise click.UsageError("--unmatched needs --light with a grid that holds luminance.")
    tracked = pupil if tracked is None else tracked
    fields, module = FieldSet.load(fit_path), read_module(module_path)
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
            "dither": dither,
            "eyes": {},
        }
        with talk.progress("drawing", total=len(module.eyes)) as step:
            for place, eye in enumerate(module.eyes):
                channels = module.channels_of(eye)
                if grid is None:
                    look = _evenly_lit(fields, module, channels)
                else:
                    look = _as_measured(lighting(fields, module, channels, grid), pupil, unmatched)
                report["eyes"][eye] = _draw_eye(
                    drawing, folder, look, module, eye, image, view, pupil, tracked, dither
                )
                step(f"{eye} eye drawn", place + 1)
        write_text(folder / "render.json", json_text(report))
    talk.text(f"{output}: written with {drawing.name}.")
    talk.json(report)


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
    """What is drawn of one eye: fields and seam, gains and luminance where they are known, and figures of the light."""

    fields: FieldSet
    seam: Seam
    match: LightMatch | None = None
    luminance: LuminanceMaps | None = None
    figures: Mapping[str, object] = field(default_factory=dict)


def _evenly_lit(fields: FieldSet, module: DisplayModule, channels: Sequence[Channel]) -> _Look:
    names = tuple(channel.name for channel in channels)
    return _Look(fields, build_seam(fields, pupils_mm=module.eye_box.corners, channels=names))


def _as_measured(lit: Lighting, pupil: np.ndarray, unmatched: bool) -> _Look:
    """Return the look with luminance as a share of the brightest place of any panel, colour by colour."""
    highest = lit.brightest(pupil)
    return _Look(
        lit.fields,
        lit.seam,
        None if unmatched else lit.match,
        lit.maps.shares(highest),
        {"matched": not unmatched, "brightest_relative": highest, "match": lit.match.as_dict()},
    )


def _draw_eye(
    drawing: Drawing,
    folder: Path,
    look: _Look,
    module: DisplayModule,
    eye: str,
    image: np.ndarray,
    view: ContentProjection,
    pupil: np.ndarray,
    tracked: np.ndarray,
    dither: str,
) -> dict:
    channels = module.channels_of(eye)
    names = [channel.name for channel in channels]
    meshes = {
        name: panel_meshes(
            look.fields,
            name,
            module.content,
            tracked_pupil_mm=tracked,
            seam=look.seam,
            match=look.match,
        )
        for name in names
    }
    panels = drawing.panels(
        image,
        meshes,
        transfers={channel.name: transfer_of_panel(channel.panel) for channel in channels},
        bit_depths={channel.name: channel.panel.bit_depth for channel in channels},
        lights={name: panel_light(look.match, name, dither=dither) for name in names},
    )
    files = {}
    for number, name in enumerate(names):
        # Numbered: a channel's name may hold characters that a file name may not.
        files[f"panel_{eye}_{number}.png"] = f"panel of channel '{name}', codes scaled to 8 bits"
        write_bytes(folder / f"panel_{eye}_{number}.png", png_bytes(panels[name].shown()))
    maps = {
        name: view_maps(look.fields, name, view, pupil_mm=pupil, luminance=look.luminance) for name in names
    }
    files[f"view_{eye}.png"] = (
        f"what the {eye} eye sees, {view.field_x_deg:g} degrees wide, {view.projection}"
    )
    write_bytes(folder / f"view_{eye}.png", png_bytes(drawing.view(maps, view)))
    light = {"light": dict(look.figures)} if look.figures else {}
    return {"channels": names, "feather_deg": look.seam.feather_deg, **light, "files": files}
