"""Blend weights and gains for devices: bilinear tables without sign, as coarse as a stated error allows.

The blend weight depends on direction alone (the seam is fixed in direction), so one table per channel serves
all pupil positions and colours. The gain depends on panel point, direction and a little on the pupil; its
table is the gain from the middle of the eye box, and its error counts what other pupil positions would want.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray, require_range
from prewarp.lookup.coding import CodedArray, Format
from prewarp.lookup.device import surface_values
from prewarp.lookup.measure import pupil_lattice
from prewarp.lookup.tables import FactorMap, float32_array
from prewarp.seam import Seam

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

# About half an 8-bit code of linear light.
SURFACE_ERROR = 0.002
NODE_COUNTS = (9, 13, 17, 25, 33, 49, 65, 97, 129, 193, 257)
_LARGEST = {Format.UINT8: 255, Format.UINT16: 65535}
_BORDER_POINTS = 33
# Points per cell and axis at which a table is held to what it stands for.
_POINTS_PER_CELL = 4
# Blend weights jump where borders cross: so many points must keep the limit; the largest error is told too.
WEIGHT_SHARE = 0.99
# Finer tables are tried until this many in a row have hardly lowered the mean squared error.
_PATIENCE, _HARDLY = 2, 0.9


def weight_surface(
    seam: Seam,
    fields: "FieldSet",
    channel: str,
    /,
    *,
    place: int,
    box_mm: FloatArray,
    max_error: float = SURFACE_ERROR,
) -> FactorMap:
    """Return the blend weight of a channel over the directions that its panel shows from the eye box.

    Parameters
    ----------
    seam : Seam
    fields : FieldSet
        For the directions that the channel shows.
    channel : str
    place : int
        The channel's place in the lookup.
    box_mm : (2, 3) float array
        Eye box, mm.
    max_error : float
        Error wanted at 99 % of the points. Where borders cross, weights jump, and no table can follow; the
        surface's `error` is the largest met, jumps included.
    """
    low, high = directions_shown([fields.field(channel, colour) for colour in fields.colours], box_mm)
    row = seam.index(channel)
    return fitted_surface(
        lambda tangent: seam.weights(tangent)[row],
        low,
        high,
        channel=place,
        colour=None,
        max_error=max_error,
        share=WEIGHT_SHARE,
    )


def gain_surface(
    gain: Callable[[FloatArray, FloatArray, FloatArray], FloatArray],
    field: "Field",
    /,
    *,
    channel: int,
    colour: int,
    box_mm: FloatArray,
    max_error: float = SURFACE_ERROR,
) -> FactorMap:
    """Return the gain of a channel and colour over its panel.

    Parameters
    ----------
    gain : callable
        (pixel (n, 2), tangent (n, 2), pupil_mm (3,)) to gains (n,): `LightMatch.gain`, say.
    field : Field
        For the directions in which panel points are seen.
    channel, colour : int
        Places in the lookup.
    box_mm, max_error
        As in `weight_surface`. What the gain changes with the pupil cannot be mended by a finer table.
    """
    pupils = pupil_lattice(box_mm, (3, 3, 2))
    middle = np.asarray(box_mm, dtype=float).mean(axis=0)

    def at(pixel: FloatArray, pupil: FloatArray) -> FloatArray:
        flat = pixel.reshape(-1, 2)
        values = gain(flat, field.forward(flat, pupil_mm=pupil), pupil)
        return np.asarray(values, dtype=float).reshape(pixel.shape[:-1])

    return fitted_surface(
        partial(at, pupil=middle),
        np.zeros(2),
        np.array(field.panel_size_px, dtype=float),
        channel=channel,
        colour=colour,
        max_error=max_error,
        others=[partial(at, pupil=pupil) for pupil in pupils],
    )


def fitted_surface(
    function: Callable[[FloatArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    /,
    *,
    channel: int,
    colour: int | None,
    max_error: float,
    others: Sequence[Callable[[FloatArray], FloatArray]] = (),
    share: float = 1.0,
) -> FactorMap:
    """Return the smallest table of `function` over a rectangle within `max_error`, or the best met.

    `others` are held against the table as well. The error is measured on the rounded table as a device reads
    it; `share` of the points must keep `max_error`, while the surface's own `error` is the largest.
    """
    require_range(max_error, "max_error", 1e-6, 1.0)
    low, high = float32_array(low), float32_array(high)
    tried: list[tuple[float, FactorMap]] = []
    lowest, patience = np.inf, _PATIENCE
    for count in NODE_COUNTS:
        columns, rows = _shape(count, high - low)
        values = function(_lattice(low, high, columns, rows))
        for form in (Format.UINT8, Format.UINT16):
            surface = _rounded(values, form, low, high, channel, colour)
            errors = _errors(surface, [function, *others])
            surface = replace(surface, error=float(errors.max()))
            if np.quantile(errors, share) <= max_error:
                return surface
            # The largest errors stand at jumps, whatever the table: progress shows in the mean square.
            tried.append((float(np.mean(errors**2)), surface))
        before, lowest = lowest, min(mean_square for mean_square, _ in tried)
        patience = patience - 1 if lowest > _HARDLY * before else _PATIENCE
        if patience == 0:
            break
    return min(tried, key=lambda one: one[0])[1]


def directions_shown(fields: list["Field"], box_mm: FloatArray, /) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest tangents (2,) on the panel border, from the eye box's corners."""
    pupils = pupil_lattice(box_mm, (2, 2, 2))
    seen = []
    for field in fields:
        width, height = field.panel_size_px
        along = np.linspace(0.0, 1.0, _BORDER_POINTS)
        sides = [(along, 0 * along), (along, 0 * along + 1), (0 * along, along), (0 * along + 1, along)]
        border = np.concatenate([np.stack([u * width, v * height], axis=-1) for u, v in sides])
        seen += [field.forward(border, pupil_mm=pupil) for pupil in pupils]
    points = np.concatenate(seen)
    return np.nanmin(points, axis=0), np.nanmax(points, axis=0)


def _shape(count: int, size: FloatArray) -> tuple[int, int]:
    columns, rows = (max(5, round((count - 1) * share) + 1) for share in size / size.max())
    return columns, rows


def _lattice(low: FloatArray, high: FloatArray, columns: int, rows: int) -> FloatArray:
    """Return points (columns, rows, 2), edge to edge."""
    first, second = np.linspace(low[0], high[0], columns), np.linspace(low[1], high[1], rows)
    return np.stack(np.meshgrid(first, second, indexing="ij"), axis=-1)


def _rounded(
    values: FloatArray, form: Format, low: FloatArray, high: FloatArray, channel: int, colour: int | None
) -> FactorMap:
    lowest = float(np.float32(values.min()))
    scale = float(np.float32(max((values.max() - lowest) / _LARGEST[form], 1e-9)))
    codes = np.clip(np.rint((values - lowest) / scale), 0, _LARGEST[form]).astype(np.int64)
    columns, rows = values.shape
    return FactorMap(
        channel, colour, low, high, columns, rows, lowest, CodedArray(form, codes.ravel(), scale)
    )


def _errors(surface: FactorMap, functions: Sequence[Callable[[FloatArray], FloatArray]]) -> FloatArray:
    """Return the errors of a table at the nodes, the middles of cells and between, against every function."""
    points = _lattice(
        surface.low,
        surface.high,
        _POINTS_PER_CELL * (surface.columns - 1) + 1,
        _POINTS_PER_CELL * (surface.rows - 1) + 1,
    )
    table = surface_values(surface, points)
    return np.stack([np.abs(function(points) - table) for function in functions])
