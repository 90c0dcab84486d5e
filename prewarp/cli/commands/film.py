"""`prewarp film`."""

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from prewarp.cli.arguments import PictureSize, gl_option, output_option, require_output_file
from prewarp.cli.displays import BOTH, channels_in
from prewarp.cli.looking import Look, looked_at, looking_options
from prewarp.cli.talk import Talk, talking
from prewarp.content import ContentProjection
from prewarp.eye import eye_of_fit
from prewarp.field import FieldSet
from prewarp.folders import output_folder, require_output_folder
from prewarp.memory import require_memory
from prewarp.module import DisplayModule
from prewarp.preview.film import ANIMATIONS, MOST_FRAMES, Film, film_frames, require_film_name, write_film
from prewarp.preview.painting import CpuPainter, open_painter
from prewarp.preview.state import State
from prewarp.preview.working import film_bytes, held_bytes
from prewarp.wording import counted


@click.command()
@looking_options
@click.option(
    "--seconds",
    type=click.FloatRange(0.01, 600),
    default=4.0,
    show_default=True,
    help="Length of the film, s.",
)
@click.option(
    "--fps", type=click.FloatRange(0.1, 120), default=20.0, show_default=True, help="Frames per second."
)
@click.option(
    "--size", "size_px", type=PictureSize(), default="960x540", show_default=True, help="Size of a frame, px."
)
@gl_option
@output_option(
    "Where to write: a folder for PNG files, or one animated file if the name ends in .png or .gif."
)
@talking
def film(
    talk: Talk,
    path: Path,
    module_path: Path | None,
    eye: str | None,
    seconds: float,
    fps: float,
    size_px: tuple[int, int],
    gl: str,
    output: Path,
    **looks: Any,
) -> None:
    """Film what the eye sees while the pupil moves, without a window.

    MODULE_OR_FIT is a fit (NPZ), or a module (TOML) with a fit or grid beside it, or the name of a demo
    module (coaxial, folded). Without a GPU, OpenGL runs in software; without OpenGL, the CPU renderer draws,
    which is slower.

    Caution: films are for judging geometry on a monitor. On a display that is worn, limit luminance, avoid
    flashing content and stop at eye strain, headache or nausea. Local codes and licensed practice come first.

    \b
    Examples:
      prewarp film visor.fit.npz --motion circle -o circle.gif
      prewarp film visor.toml --eye both -o films
      prewarp film folded --motion fixations --tracker noisy --latency 25 --view "seam error" -o frames
    """
    require_film_name(output)
    count = max(round(seconds * fps), 1)
    if count > MOST_FRAMES:
        raise click.UsageError(
            f"{count} frames; at most {MOST_FRAMES} are drawn. Give less --seconds or fewer --fps."
        )
    if output.suffix.lower() in ANIMATIONS:
        if eye == BOTH:
            raise click.UsageError(
                f"--eye both writes a folder with a film of each eye; {output.name} names one file. Name a "
                "folder, or ask for one eye after the other."
            )
        require_output_file(output, path, module_path)
    else:
        require_output_folder(output)

    def require_room(
        fields: FieldSet,
        channels: Sequence[str],
        content: ContentProjection,
        state: State,
        *,
        on_cpu: bool = gl == "none",
    ) -> None:
        plan = Film(state, size_px, count, fps)
        drawn = film_bytes(plan, fields, channels, content, on_cpu=on_cpu)
        together = held_bytes(plan, output.suffix.lower())
        less = "a smaller --size"
        if together > drawn:
            less = "less --seconds, fewer --fps or a smaller --size, or name a folder"
        require_memory(
            drawn + together,
            f"a film of {counted(count, 'frame')} of {size_px[0]} x {size_px[1]} px",
            f"Give {less}, or end other programs.",
        )

    def before(fields: FieldSet, module: DisplayModule | None, state: State) -> None:
        if module is None:
            seen = eye_of_fit(fields)
            require_room(fields, seen.channels, seen.content, state)
        else:
            # Of two eyes both are held.
            side = None if eye == BOTH else eye or module.eyes[-1]
            require_room(fields, channels_in(fields, module, side), module.content, state)

    seen, scenery = looked_at(talk, path, module_path, eye, default_motion="circle", before=before, **looks)

    def write(target: Path, look: Look) -> tuple[dict[str, Any], float]:
        start = time.perf_counter()
        plan = Film(look.state, size_px, count, fps)
        with (
            open_painter(look.subject, plan.picture_px, picture_of=scenery.picture, choice=gl) as painter,
            talk.progress(f"drawing {plan.frames} frames, {painter.name}", total=plan.frames) as step,
        ):
            if isinstance(painter, CpuPainter) and gl != "none":
                # It stands in for OpenGL, which takes less for large frames.
                own = look.subject.eye
                require_room(own.fields, own.channels, own.content, look.state, on_cpu=True)
            every = max(plan.frames // 10, 1)

            def tell(number: int) -> None:
                if number % every == 0:
                    step(f"frame {number} of {plan.frames}", number)

            frames = film_frames(plan, painter, look.subject, look.driver)
            write_film(target, frames, plan, progress=tell)
            name = painter.name
        told = {
            "frames": plan.frames,
            "fps_hz": fps,
            "width_px": size_px[0],
            "height_px": size_px[1],
            "renderer": name,
            "subject": look.subject.eye.name,
        }
        return told, time.perf_counter() - start

    if eye != BOTH:
        (look,) = seen
        done = {output: write(output, look)}
    else:
        with output_folder(output) as folder:
            done = {output / look.side: write(folder / look.side, look) for look in seen}
    for target, (told, took) in done.items():
        size = f"{size_px[0]} x {size_px[1]} px"
        talk.text(
            f"{target}: {counted(told['frames'], 'frame')} of {size}, {told['renderer']}, {took:.1f} s."
        )
    eyes = [{**told, "output": str(target)} for target, (told, _) in done.items()]
    sides = [look.side for look in seen]
    talk.json({"eyes": dict(zip(sides, eyes, strict=True))} if eye == BOTH else eyes[0])
