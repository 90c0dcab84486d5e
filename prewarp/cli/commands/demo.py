"""`prewarp demo`."""

import time
from pathlib import Path

import click

from prewarp.cli.arguments import gl_option, output_option
from prewarp.cli.talk import Talk, talking


@click.command()
@click.option(
    "--bench",
    is_flag=True,
    help="Start from photographs instead: a simulated bench photographs a unit of one module, and its "
    "trace judges the resulting package. Takes some minutes.",
)
@click.option(
    "--display",
    type=click.Choice(("coaxial", "folded")),
    help="Module that --bench photographs.  [default: coaxial]",
)
@click.option(
    "--positions",
    type=click.IntRange(8, 100),
    help="Camera positions of --bench.  [default: 8]",
)
@gl_option
@output_option("Folder to write: pictures and demo.json.", default=Path("prewarp-demo"))
@talking
def demo(talk: Talk, bench: bool, display: str | None, positions: int | None, gl: str, output: Path) -> None:
    """Take two display modules from distortion grids to one merged picture, and compare them.

    The demo is a night visor for harbour pilots, once with coaxial and once with folded channels. Their
    traced grids get capture noise, missing points and outliers from a fixed seed; then they are checked,
    fitted, joined and drawn. The table compares the result with the noise-free trace, and says what happens
    when the pupil moves.

    With --bench, a simulated camera of 2 Mpx photographs a unit of one module that was built with tolerances.
    Its stage is off by 0.1 mm and 1 arcmin; it takes one colour from all positions, and three from 5 of them.
    Targets, photographs, extraction, check, fit with free poses, register, light and package follow each
    other as on a bench; bench.json has all figures. From fewer than 25 positions, the fit is a difference to
    the design's trace.

    Caution: the pictures are for judging geometry on a monitor. On a display that is worn, limit luminance,
    avoid flashing content and stop at eye strain, headache or nausea. Local codes and licensed practice come
    first.

    \b
    Example:
      prewarp demo -o prewarp-demo
      prewarp demo --bench -o prewarp-bench
    """
    if bench:
        _bench(talk, display or "coaxial", positions or 8, gl, output)
        return
    if display is not None or positions is not None:
        raise click.UsageError("--display and --positions belong to --bench; the demo shows both modules.")
    # The demo pulls in every part of the package; other commands start faster without it.
    from prewarp.demo import ALL_STEPS, MODULES, run_demo, table_lines

    start = time.perf_counter()
    with talk.progress("demo", total=ALL_STEPS) as step:
        result = run_demo(
            output, renderer=gl, progress=lambda text, done, total: step(text, done), processes=True
        )
    talk.table("Two modules side by side", ("", *MODULES), table_lines(result["modules"]))
    talk.text(
        "Judged by the noise-free trace, errors of the fit included. p95: 95 % are below. 1 arcmin is the "
        "resolution limit of normal vision (common practice); offsets of a line are seen well below it.",
        f"Drawn with: {result['renderer']}.",
        f"{output}: overview.png, seam.png, residuals_*.png, reach_and_seam.png, light.png, focus.png, "
        "tracker.png, demo.json "
        f"({time.perf_counter() - start:.0f} s).",
    )
    talk.json(result)


def _bench(talk: Talk, name: str, positions: int, gl: str, output: Path) -> None:
    from prewarp.demo.bench import BenchSettings, run_bench
    from prewarp.demo.bench_table import bench_lines

    start = time.perf_counter()
    with talk.progress("bench") as step:
        result = run_bench(
            output,
            name=name,
            settings=BenchSettings(positions=positions),
            renderer=gl,
            progress=lambda text, done, total: step(f"{text} ({done} of {total})", done),
        )
    talk.table(f"From photographs to a package: {name} module", ("", name), bench_lines(result))
    talk.text(
        "Judged by the trace of the design that was photographed. p95: 95 % are below. Shift, turn and scale "
        "common to all shots show in no photograph.",
        f"{output}: bench.png, overview.png, residuals.png, package, targets, capture.grid.npz, bench.json "
        f"({time.perf_counter() - start:.0f} s).",
    )
    talk.json(result)
