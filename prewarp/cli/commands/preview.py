"""`prewarp preview`."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from prewarp.cli.arguments import FILE, PictureSize, gl_option, require_output_file
from prewarp.cli.displays import BOTH
from prewarp.cli.looking import Look, looked_at, looking_options
from prewarp.cli.talk import Talk, talking
from prewarp.errors import InputFileError
from prewarp.files import write_bytes
from prewarp.folders import output_folder, require_output_folder
from prewarp.preview.film import Film, film_frames
from prewarp.preview.painting import open_painter
from prewarp.preview.stage import PATHS
from prewarp.preview.subject import load_subject
from prewarp.render.pictures import png_bytes


@click.command()
@looking_options
@click.option(
    "--size",
    "size_px",
    type=PictureSize(),
    default="1280x720",
    show_default=True,
    help="Size of the window, or of the picture, px.",
)
@click.option("--pictures", type=FILE, help="Folder for pictures that key P saves.")
@click.option("--offscreen", is_flag=True, help="No window: write one picture to --output.")
@click.option(
    "-o",
    "--output",
    type=FILE,
    help="The picture to write (PNG), with --offscreen; with --eye both a folder for left.png and right.png.",
)
@click.option(
    "--time",
    "time_s",
    type=click.FloatRange(0, 3600),
    default=0.0,
    help="Time at which the motion begins, s.",
)
@click.option(
    "--path",
    "drawing_path",
    type=click.Choice(("auto", *PATHS)),
    default="auto",
    show_default=True,
    help="How panels are drawn. mesh: by triangles; compute: by compute shaders; exported: by "
    "the shaders that 'prewarp export' writes; auto: by what is faster here.",
)
@gl_option
@talking
def preview(
    talk: Talk,
    path: Path,
    module_path: Path | None,
    eye: str | None,
    size_px: tuple[int, int],
    pictures: Path | None,
    offscreen: bool,
    output: Path | None,
    time_s: float,
    drawing_path: str,
    gl: str,
    **looks: Any,
) -> None:
    """Look at the seam while the eye moves, in a window.

    MODULE_OR_FIT is a fit (NPZ), or a module (TOML) with a fit or grid beside it, or the name of a demo
    module (coaxial, folded). Drag to move the pupil, turn the wheel for its depth, press H for all keys.
    Files that change on disk are read again while the window is open: a new fit, an edited module or shader.

    Caution: the preview is for judging geometry on a monitor. On a display that is worn, limit luminance,
    avoid flashing content and stop at eye strain, headache or nausea. Local codes and licensed practice come
    first.

    \b
    Examples:
      prewarp preview visor.fit.npz
      prewarp preview folded --motion fixations --tracker noisy --latency 25
      prewarp preview visor.fit.npz --path exported
      prewarp preview visor.fit.npz --module visor.toml --light capture.csv --scene grey_ramp
      prewarp preview visor.fit.npz --pupil 3,0,0 --view "seam error" --offscreen -o seam.png
    """
    if offscreen != (output is not None):
        raise click.UsageError("--offscreen and --output go together: one picture is drawn and written.")
    if eye == BOTH and output is None:
        raise click.UsageError(
            "a window shows one eye; with --eye both give --offscreen and a folder to write."
        )
    if output is not None and eye != BOTH:
        require_output_file(output, path, module_path)
    elif output is not None:
        require_output_folder(output)
    if pictures is not None and pictures.exists() and not pictures.is_dir():
        raise InputFileError(f"{pictures}: is not a folder; expected one for pictures.", path=str(pictures))
    seen, scenery = looked_at(talk, path, module_path, eye, default_motion="hand", **looks)

    def write(target: Path, look: Look) -> str:
        by = "mesh" if drawing_path == "auto" else drawing_path
        film = Film(replace(look.state, time_s=time_s), size_px, 1, 1.0)
        with open_painter(
            look.subject, film.picture_px, picture_of=scenery.picture, choice=gl, path=by
        ) as painter:
            picture = next(film_frames(film, painter, look.subject, look.driver))
            name = painter.name
        write_bytes(target, png_bytes(picture))
        return name

    if output is not None:
        if eye != BOTH:
            names = {output: write(output, seen[0])}
        else:
            with output_folder(output) as folder:
                names = {
                    output / f"{look.side}.png": write(folder / f"{look.side}.png", look) for look in seen
                }
        told = [
            {"output": str(one), "renderer": name, "width_px": size_px[0], "height_px": size_px[1]}
            for one, name in names.items()
        ]
        talk.text(*(f"{one}: {size_px[0]} x {size_px[1]} px, {name}." for one, name in names.items()))
        talk.json(
            {"eyes": dict(zip((look.side for look in seen), told, strict=True))} if eye == BOTH else told[0]
        )
        return
    (look,) = seen
    subject, state, driver = look.subject, replace(look.state, time_s=time_s), look.driver
    # The window library looks for a display when it is loaded; other commands do without.
    from prewarp.preview.show import Show
    from prewarp.preview.window import run_window

    run_window(
        f"prewarp preview: {subject.eye.name}",
        size_px,
        lambda context, frame_px, scale: Show(
            context,
            subject,
            replace(state, caution=True),
            driver,
            scenery,
            frame_px,
            reload=lambda: load_subject(
                path,
                module_path=module_path,
                eye=eye,
                light_path=looks["light_path"],
                feather_deg=looks["feather_deg"],
            ),
            pictures=pictures,
            scale=scale,
            path=drawing_path,
        ),
    )
    talk.json({"subject": subject.eye.name, "closed": True})
