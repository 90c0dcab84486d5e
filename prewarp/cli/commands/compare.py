"""`prewarp compare`."""

import io
from pathlib import Path
from typing import Any

import click
import pyarrow as pa
import pyarrow.csv

from prewarp.cli.arguments import FILE, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.field import Comparison, FieldSet, compare_grid
from prewarp.files import write_bytes
from prewarp.grids import read_grid


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@click.argument("grid_path", metavar="GRID", type=FILE)
@click.option(
    "-o",
    "--rows",
    "--output",
    "rows_path",
    type=FILE,
    help="Also write the error of every row into this CSV file.",
)
@talking
def compare(talk: Talk, fit_path: Path, grid_path: Path, rows_path: Path | None) -> None:
    """Compare a fit with any other grid: held-out captures, another unit, a trace.

    For each row the fit predicts a panel point from the row's direction and pupil position. The error of the
    row is the distance in px from that point to the row's own panel point, and the angle between the
    directions in which the two are seen. Rows that cannot be predicted are counted as lost. 'inside' counts
    only rows within the captured pupil positions and directions. In the file of --rows, 'sigma_px' is the
    1-sigma length of the prediction, empty where it is not known.

    \b
    Example:
      prewarp compare visor.fit.npz second_capture.csv --rows errors.csv
    """
    if rows_path is not None:
        require_output_file(rows_path, fit_path, grid_path)
    with talk.progress(f"comparing {fit_path.name} with {grid_path.name}"):
        comparison = compare_grid(FieldSet.load(fit_path), read_grid(grid_path))
    if rows_path is not None:
        write_bytes(rows_path, _rows_csv(comparison))
    figures = comparison.as_dict()
    _print_table(talk, comparison, figures)
    talk.json(figures)


def _print_table(talk: Talk, comparison: Comparison, figures: dict[str, Any]) -> None:
    lines = [("all", figures["all"]), ("inside captured range", figures["inside"])]
    lines += [(f"{group['channel']} {group['color']}", group) for group in figures["groups"]]
    rows = [
        (name, str(part["count"]), str(part["lost"]))
        + tuple(number(part[f"{kind}_{unit}"]) for unit in ("px", "arcmin") for kind in ("rms", "p95", "max"))
        for name, part in lines
    ]
    head = ("", "rows", "lost", "RMS px", "p95 px", "max px", "RMS arcmin", "p95 arcmin", "max arcmin")
    talk.table(f"Fit against {comparison.grid.source}", head, [("", rows)])


def _rows_csv(comparison: Comparison) -> bytes:
    grid = comparison.grid
    table = pa.table(
        {
            "row": grid.row,
            "channel": pa.DictionaryArray.from_arrays(grid.channel, list(grid.channel_names)).cast(
                pa.string()
            ),
            "color": pa.DictionaryArray.from_arrays(grid.colour, list(grid.colour_names)).cast(pa.string()),
            "predicted_u_px": comparison.predicted_px[:, 0],
            "predicted_v_px": comparison.predicted_px[:, 1],
            "error_px": comparison.error_px,
            "sigma_px": pa.array(comparison.sigma_px, from_pandas=True),
            "error_arcmin": comparison.error_arcmin,
            "inside": comparison.inside.astype("int8"),
            "lost": comparison.lost.astype("int8"),
        }
    )
    stream = io.BytesIO()
    pyarrow.csv.write_csv(table, stream, pyarrow.csv.WriteOptions(quoting_style="needed"))
    return stream.getvalue()
