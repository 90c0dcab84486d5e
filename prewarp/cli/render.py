"""`prewarp render`."""

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
from prewarp.module import DisplayModule, read_module
from prewarp.render.cpu import panel_meshes, view_maps
from prewarp.render.drawing import Drawing, open_drawing
from prewarp.render.pictures import filling, png_bytes, read_picture
from prewarp.render.scenes import SCENES, scene
from prewarp.seam import build_seam

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
    gl: str,
    output: Path,
) -> None:
    """Draw the pre-warped panel pictures and what the eye sees of them.

    Give --tracked to see what a wrong eye tracker does. Per eye one view is written; per channel one panel picture.

    Caution: the pictures are for judging geometry on a monitor. Before they go to a display that is worn, limit its
    luminance and avoid flashing content; stop at eye strain, headache or nausea. Local codes and licensed practice
    come first.

    \b
    Examples:
      prewarp render visor.fit.npz --module visor.toml -o look
      prewarp render visor.fit.npz --module visor.toml --scene harbour --pupil 3,0,0 --tracked 0,0,0 -o moved
    """
    tracked = pupil if tracked is None else tracked
    fields, module = FieldSet.load(fit_path), read_module(module_path)
    image = _content(content, module)
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
            "eyes": {},
        }
        with talk.progress("drawing", total=len(module.eyes)) as step:
            for place, eye in enumerate(module.eyes):
                report["eyes"][eye] = _draw_eye(
                    drawing, folder, fields, module, eye, image, view, pupil, tracked
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


def _draw_eye(
    drawing: Drawing,
    folder: Path,
    fields: FieldSet,
    module: DisplayModule,
    eye: str,
    image: np.ndarray,
    view: ContentProjection,
    pupil: np.ndarray,
    tracked: np.ndarray,
) -> dict:
    channels = module.channels_of(eye)
    names = [channel.name for channel in channels]
    seam = build_seam(fields, pupils_mm=module.eye_box.corners, channels=names)
    meshes = {
        name: panel_meshes(fields, name, module.content, tracked_pupil_mm=tracked, seam=seam)
        for name in names
    }
    panels = drawing.panels(
        image,
        meshes,
        transfers={channel.name: transfer_of_panel(channel.panel) for channel in channels},
        bit_depths={channel.name: channel.panel.bit_depth for channel in channels},
    )
    files = {}
    for number, name in enumerate(names):
        # Numbered: a channel's name may hold characters that a file name may not.
        files[f"panel_{eye}_{number}.png"] = f"panel of channel '{name}', codes scaled to 8 bits"
        write_bytes(folder / f"panel_{eye}_{number}.png", png_bytes(panels[name].shown()))
    maps = {name: view_maps(fields, name, view, pupil_mm=pupil) for name in names}
    files[f"view_{eye}.png"] = (
        f"what the {eye} eye sees, {view.field_x_deg:g} degrees wide, {view.projection}"
    )
    write_bytes(folder / f"view_{eye}.png", png_bytes(drawing.view(maps, view)))
    return {"channels": names, "feather_deg": seam.feather_deg, "files": files}
