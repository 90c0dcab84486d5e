"""How sure the focus is: 1-sigma of the image distance, from the fit's map of how sure a panel point is.

The map (`ChannelReport.certainty_px`) holds the error of a point for a lattice of pupil positions, of which
those in the eye box count here; the focus is a slope over the pupil. How an error divides between position
and slope follows from the pupil polynomial: for samples spread evenly over the eye box the covariance of its
coefficients is that of its own normal matrix, times the number of panel functions that each order has. Exact
where every pupil column has every panel function and the grid is one lattice for all pupils; else an
estimate. What the choice of the model left out is divided as noise is.
"""

from typing import TYPE_CHECKING

import numpy as np

from prewarp.chebyshev import derivatives_1d, products, values_1d
from prewarp.checks import FloatArray, as_pixel
from prewarp.fitting.certainty import between_nodes
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import pupil_columns

if TYPE_CHECKING:
    from prewarp.field import FieldSet

_NODES = 9


def focus_sigma(fields: "FieldSet", channel: str, colour: str, pixel: FloatArray, /) -> FloatArray:
    """Return the 1-sigma of the mean vergence (...), dioptres, at panel points (..., 2), px; centred pupil.

    NaN where the fit holds no certainty map, or where its pupil degree is 0 and nothing is known of focus.
    """
    pixel = as_pixel(pixel)
    report = next((one for one in fields.reports if one.channel == channel), None)
    field = fields.field(channel, colour)
    expansion = field.expansion
    if report is None or expansion.pupil_degree < 1:
        return np.full(pixel.shape[:-1], np.nan)
    flat = pixel.reshape(-1, 2)
    # Pupils of the map within the captured ones: it goes beyond them.
    x, y = expansion.frame.normalised(report.certainty_pupil_mm)
    within = np.maximum(np.abs(x), np.abs(y)) <= 1.0 + 1e-9
    maps = report.certainty_px[report.colours.index(colour)][within].astype(float)
    variance_px = between_nodes(np.mean(maps**2, axis=0), field.panel_size_px, flat).reshape(pixel.shape[:-1])
    centre = np.broadcast_to(np.array(expansion.frame.centre_mm), flat.shape)
    _, slope = expansion.values_and_jacobian(flat, centre)
    jacobian = np.moveaxis(slope, -1, 0).reshape(*pixel.shape[:-1], 2, 2)
    # An error of variance c on each axis of q is one of c trace((J J^T)^-1) in px.
    squared = np.linalg.inv(jacobian @ np.swapaxes(jacobian, -1, -2))
    variance_q = 2.0 * variance_px / np.trace(squared, axis1=-2, axis2=-1)
    ratio = slope_ratio(expansion, report.certainty_pupil_mm[within])
    return np.asarray(1000.0 * np.sqrt(variance_q * ratio))


def slope_ratio(expansion: Expansion, pupils_mm: FloatArray, /) -> float:
    """Return var(mean slope at the centre) over mean var(q) of both axes at `pupils_mm` (k, 2), per mm^2."""
    degree, half = expansion.pupil_degree, expansion.frame.half_mm
    columns = pupil_columns(degree, half)
    kept = np.flatnonzero(~columns.is_curl)
    filled = np.any(expansion.coefficients != 0.0, axis=2).sum(axis=0)
    order = columns.order[kept]
    of_order = np.array([count_of_order(filled, step) for step in range(degree + 1)], dtype=float)
    weight = np.sqrt(of_order[order])

    def vectors(normalised: FloatArray) -> FloatArray:
        table = products(values_1d(normalised[:, 0], degree), values_1d(normalised[:, 1], degree), degree)
        return np.stack([columns.x[kept] @ table, columns.y[kept] @ table])

    nodes = np.linspace(-1.0, 1.0, _NODES)
    lattice = np.stack(np.meshgrid(nodes, nodes), axis=-1).reshape(-1, 2)
    spread = vectors(lattice)
    normal = np.einsum("ckn,cln->kl", spread, spread) / len(lattice)
    covariance = weight[:, None] * np.linalg.pinv(normal, rcond=1e-10) * weight
    here = (pupils_mm - np.array(expansion.frame.centre_mm)) / np.array(half)
    seen = vectors(here)
    value = np.einsum("ckn,kl,cln->n", seen, covariance, seen)
    zero = np.zeros(1)
    flat, slope = values_1d(zero, degree), derivatives_1d(zero, degree)
    divergence = 0.5 * (
        columns.x[kept] @ products(slope, flat, degree)[:, 0] / half[0]
        + columns.y[kept] @ products(flat, slope, degree)[:, 0] / half[1]
    )
    return float(divergence @ covariance @ divergence / value.mean())


def count_of_order(filled: FloatArray, order: int, /) -> int:
    """Return how many panel functions go with pupil functions of one order; `filled` counts per function."""
    first = order * (order + 1) // 2
    return int(filled[first : first + order + 1].max(initial=0))
