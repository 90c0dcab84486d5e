"""Single values: not finite, out of range, misspelt optional columns."""

from collections.abc import Iterator

import numpy as np

from prewarp.checking.result import Finding, finding
from prewarp.columns import PUPIL_COLUMNS
from prewarp.grids import Grid
from prewarp.grids.columns import DIRECTION_COLUMNS, PIXEL_COLUMNS, misspelt_options

LIMIT_DIRECTION_DEG = 85.0
LIMIT_PUPIL_MM = 30.0
_POSSIBLE_RADIANS = np.pi / 2.0


def check_values(grid: Grid) -> Iterator[Finding]:
    """Yield findings about single values."""
    columns = _columns(grid)
    for name, values in columns.items():
        bad = ~np.isfinite(values)
        if bad.any():
            yield finding(
                "nan",
                "warning",
                f"{name} is not a finite number.",
                "Measure these points again or delete the rows; a fit leaves them out.",
                rows=grid.row[bad],
            )
    yield from _directions(grid)
    yield from check_pupil_range(grid)
    for name, low in (("luminance", 0.0), ("sigma_px", np.nextafter(0.0, 1.0))):
        values = getattr(grid, name)
        if values is not None and (values < low).any():
            bad = values < low
            yield finding(
                "range",
                "error",
                f"{name} is {values[bad][0]:g}; expected a {'positive' if low else 'non-negative'} number.",
                "Correct it, or leave the cell empty.",
                rows=grid.row[bad],
            )
    for found, meant in misspelt_options(tuple(grid.extra)):
        if getattr(grid, meant) is None:
            yield finding(
                "column",
                "remark",
                f"column '{found}' is ignored.",
                f"If '{meant}' is meant, rename it to that.",
            )


def check_pupil_range(grid: Grid, limit_mm: float = LIMIT_PUPIL_MM) -> Iterator[Finding]:
    """Yield findings about pupil positions further than `limit_mm` from the eye-box centre along an axis."""
    far = np.abs(grid.pupil_mm) > limit_mm
    if not far.any():
        return
    far &= np.isfinite(grid.pupil_mm)
    for bad, values, name in zip(far.T, grid.pupil_mm.T, PUPIL_COLUMNS, strict=True):
        if bad.any():
            yield finding(
                "range",
                "error",
                f"{name} is {values[bad][0]:g} mm; expected -{limit_mm:g} to {limit_mm:g} mm.",
                "If these are micrometres, divide them by 1000; the origin is the eye-box centre.",
                rows=grid.row[bad],
            )


def _columns(grid: Grid) -> dict[str, np.ndarray]:
    columns = {name: grid.pupil_mm[:, axis] for axis, name in enumerate(PUPIL_COLUMNS)}
    columns |= {name: grid.direction_deg[:, axis] for axis, name in enumerate(DIRECTION_COLUMNS)}
    columns |= {name: grid.pixel[:, axis] for axis, name in enumerate(PIXEL_COLUMNS)}
    # An empty luminance or sigma is "not measured"; only infinities are wrong there.
    for name in ("luminance", "sigma_px"):
        values = getattr(grid, name)
        if values is not None:
            columns[name] = np.where(np.isnan(values), 0.0, values)
    return columns


def _directions(grid: Grid) -> Iterator[Finding]:
    with np.errstate(invalid="ignore"):
        beyond = np.abs(grid.direction_deg) > LIMIT_DIRECTION_DEG
    if not beyond.any():
        return
    bad = (beyond & np.isfinite(grid.direction_deg)).any(axis=1)
    if not bad.any():
        return
    worst = float(np.abs(grid.direction_deg[bad]).max())
    size = np.abs(grid.direction_deg[np.isfinite(grid.direction_deg).all(axis=1)]).max(axis=1)
    share = bad.mean()
    # Angles in degrees that were multiplied by 180/pi once more come back to sensible ones.
    twice = share > 0.2 and size.max() < LIMIT_DIRECTION_DEG * 180.0 / np.pi
    yield finding(
        "units" if twice else "range",
        "error",
        f"viewing direction of up to {worst:g} degrees; expected {LIMIT_DIRECTION_DEG:g} at most.",
        "These look like degrees taken for radians and converted again: multiply by pi/180."
        if twice
        else "Correct the angle, or delete the rows.",
        rows=grid.row[bad],
    )
