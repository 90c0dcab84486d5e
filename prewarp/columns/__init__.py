"""Tables of named columns in files (CSV, CSV.gz, NPZ): read with limits; errors name row and column."""

from prewarp.columns.reading import Columns, codes_from_names, read_columns
from prewarp.columns.schema import PUPIL_COLUMNS, Schema, row_list

__all__ = ["PUPIL_COLUMNS", "Columns", "Schema", "codes_from_names", "read_columns", "row_list"]
