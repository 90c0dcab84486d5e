"""The table of a gauge study in a file: who measured which part, which time, and what came out."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from prewarp.checks import FloatArray
from prewarp.columns import Schema, read_columns, row_list
from prewarp.errors import GridError
from prewarp.files import MEBIBYTE

SCHEMA = Schema("a table of a gauge study", ("part", "appraiser", "trial"), ("value",), ())
LIMIT_BYTES = 16 * MEBIBYTE
_MOST_VALUES = 100_000


@dataclass(frozen=True, eq=False)
class GaugeTable:
    """`values` (parts, appraisers, trials), every one there; names in order of appearance; `source`: file."""

    values: FloatArray
    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    source: str


def read_gauge_table(path: Path | str, /) -> GaugeTable:
    """Read a gauge study (CSV, CSV.gz or NPZ) with columns `part, appraiser, trial, value`.

    Trials of one part and appraiser need names of their own; what matters is how many there are.

    Raises
    ------
    InputFileError
        Missing, empty, too large or damaged file.
    GridError
        A column missing or misspelt, a value that is no number, a trial that is there twice, or appraisers
        that did not all measure every part equally often.
    """
    path = Path(path)
    columns = read_columns(path, schema=SCHEMA, limit_bytes=LIMIT_BYTES)
    values = columns.numbers["value"]
    if len(values) > _MOST_VALUES:
        raise GridError(f"{path}: {len(values)} rows; expected at most {_MOST_VALUES}.", path=str(path))
    bad = ~np.isfinite(values)
    if bad.any():
        rows = row_list(columns.row[bad].tolist())
        raise GridError(
            f"{path}, {rows}: 'value' is empty or no finite number. Measure again: every trial counts.",
            path=str(path),
        )
    (part, parts), (appraiser, appraisers), (trial, _) = (columns.texts[name] for name in SCHEMA.text)
    order = np.lexsort((trial, appraiser, part))
    keys = np.stack([part, appraiser, trial], axis=1)[order]
    twice = np.flatnonzero((keys[1:] == keys[:-1]).all(axis=1))
    if len(twice):
        rows = row_list(sorted(columns.row[order[twice + 1]].tolist()))
        raise GridError(
            f"{path}, {rows}: part, appraiser and trial are there twice. Number the trials.", path=str(path)
        )
    counts = np.zeros((len(parts), len(appraisers)), dtype=int)
    np.add.at(counts, (part, appraiser), 1)
    most = int(counts.max())
    if counts.min() < most:
        place = np.argwhere(counts < most)[0]
        raise GridError(
            f"{path}: appraiser '{appraisers[place[1]]}' measured part '{parts[place[0]]}' "
            f"{counts[tuple(place)]} times, others {most}; expected every part by every appraiser equally "
            "often. Measure what is missing, or leave the part out.",
            path=str(path),
        )
    if len(parts) < 2 or most < 2:
        raise GridError(
            f"{path}: {len(parts)} parts, {most} trials each; expected at least 2 of both (common practice: "
            "10 parts, 3 appraisers, 3 trials).",
            path=str(path),
        )
    return GaugeTable(values[order].reshape(len(parts), len(appraisers), most), parts, appraisers, str(path))
