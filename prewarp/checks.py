"""Checks at the border: shape, finite values, range. Inner functions trust what passed here."""

from collections.abc import Iterable
from difflib import get_close_matches

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.errors import PrewarpError, ShapeError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.integer]
StringArray = NDArray[np.str_]


def as_vectors(value: ArrayLike, name: str, *, size: int, meaning: str) -> FloatArray:
    """Return `value` as float64 with a last axis of `size`; `meaning` explains that axis in the error."""
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as cause:
        raise ShapeError(f"{name} is not an array of numbers; expected (..., {size}): {meaning}.") from cause
    if array.ndim == 0 or array.shape[-1] != size:
        raise ShapeError(
            f"{name} has shape {array.shape}; expected (..., {size}): {meaning}.", shape=array.shape
        )
    return array


def as_pixel(value: ArrayLike, name: str = "pixel") -> FloatArray:
    """Return panel points (..., 2) as float64."""
    return as_vectors(value, name, size=2, meaning="u, v in px, origin at the panel's top-left corner")


def as_tangent(value: ArrayLike, name: str = "tangent") -> FloatArray:
    """Return viewing directions (..., 2) as float64."""
    return as_vectors(value, name, size=2, meaning="tx, ty, tangents, +x right, +y up")


def as_pupil(value: ArrayLike, name: str = "pupil_mm") -> FloatArray:
    """Return pupil positions (..., 3) as float64."""
    return as_vectors(value, name, size=3, meaning="x, y, z in mm from the eye-box centre")


def nearest_name(name: str, known: Iterable[str]) -> str:
    """Return " Did you mean 'x'?" for the closest known name, or an empty string."""
    close = get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f" Did you mean '{close[0]}'?" if close else ""


def require_range(
    value: float,
    name: str,
    low: float,
    high: float,
    *,
    unit: str = "",
    error: type[PrewarpError] = ShapeError,
) -> float:
    """Return `value` when low <= value <= high (NaN fails); raise `error` naming the range otherwise."""
    number = float(value)
    if not low <= number <= high:
        suffix = f" {unit}" if unit else ""
        raise error(f"{name} is {value!r}; expected {low:g} to {high:g}{suffix}.")
    return number


def finite_rows(*arrays: FloatArray) -> BoolArray:
    """Return which rows (n,) of arrays (n, k) are finite. By columns: far quicker than along short rows."""
    finite = np.ones(len(arrays[0]), dtype=bool)
    for column in (column for array in arrays for column in array.T):
        finite &= np.isfinite(column)
    return finite


def all_of_rows(mask: BoolArray, /) -> BoolArray:
    """Return which rows (n,) of a mask (n, k) hold throughout. By columns, as `finite_rows`."""
    whole = mask[:, 0].copy()
    for column in mask.T[1:]:
        whole &= column
    return whole


def any_of_rows(mask: BoolArray, /) -> BoolArray:
    """Return which rows (n,) of a mask (n, k) hold anywhere. By columns, as `finite_rows`."""
    some = mask[:, 0].copy()
    for column in mask.T[1:]:
        some |= column
    return some


def lengths_of_rows(vectors: FloatArray, /) -> FloatArray:
    """Return the length (n,) of vectors (n, 2). By columns, as `finite_rows`."""
    x, y = vectors[:, 0], vectors[:, 1]
    return np.sqrt(x * x + y * y)


def extent(points: FloatArray, /) -> FloatArray:
    """Return the least and the greatest of each column of points (n, k), shape (2, k)."""
    return np.array(
        [[column.min() for column in points.T], [column.max() for column in points.T]], dtype=np.float64
    )
