"""`prewarp demo`."""

import time
from pathlib import Path

import click

from prewarp.cli.arguments import gl_option, output_option
from prewarp.cli.talk import Talk, talking


@click.command()
@gl_option
@output_option("Folder to write: pictures and demo.json.", default=Path("prewarp-demo"))
@talking
def demo(talk: Talk, gl: str, output: Path) -> None:
    """Take two display modules from distortion grids to one merged picture, and compare them.

    A night visor for harbour pilots, once with coaxial and once with folded channels. Their traced grids get
    capture noise, missing points and outliers from a fixed seed; they are checked, fitted, joined and drawn.
    The table says how good that is against the noise-free trace, and what happens when the pupil moves.

    Caution: the pictures are for judging geometry on a monitor. On a display that is worn, limit luminance,
    avoid flashing content and stop at eye strain, headache or nausea. Local codes and licensed practice come
    first.

    \b
    Example:
      prewarp demo -o prewarp-demo
    """
    # The demo pulls in every part of the package; other commands start faster without it.
    from prewarp.demo import ALL_STEPS, MODULES, run_demo, table_lines

    start = time.perf_counter()
    with talk.progress("demo", total=ALL_STEPS) as step:
        result = run_demo(
            output, renderer=gl, progress=lambda text, done, total: step(text, done), processes=True
        )
    talk.table("Two modules side by side", ("", *MODULES), table_lines(result["modules"]))
    talk.text(
        "Judged by the noise-free trace, errors of the fit included. p95: 95 % are below. 1 arcmin is about "
        "what a "
        "good eye resolves.",
        f"Drawn with: {result['renderer']}.",
        f"{output}: overview.png, seam.png, residuals_*.png, reach_and_seam.png, light.png, focus.png, "
        "tracker.png, demo.json "
        f"({time.perf_counter() - start:.0f} s).",
    )
    talk.json(result)
