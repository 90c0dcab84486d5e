"""The field as one Chebyshev series in panel and pupil: what tables are built from and searched against.

Interpolation at Chebyshev nodes of the panel (s, t on -1 to 1) and of the pupil box. It stands in for the
field in the search only; the error that is claimed is measured against the field itself (`measure`).
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial import chebyshev

from prewarp.chebyshev import nodes_1d
from prewarp.checks import FloatArray
from prewarp.errors import RenderError

if TYPE_CHECKING:
    from prewarp.field import Field

PANEL_NODES = 36
PUPIL_NODES = (6, 6, 4)
MAX_PANEL_NODES = 64
# Tangents; 3e-7 px on a panel of 3000 px per unit tangent.
NEGLIGIBLE = 1e-10


@dataclass(frozen=True)
class FieldSeries:
    """t = sum C[k, l, i, j, n] T_k(s) T_l(t) T_i(x) T_j(y) T_n(z), all coordinates on -1 to 1.

    `coefficients` (u degree + 1, v degree + 1, x, y, z, 2): tangents. `tail`: largest coefficient among the
    last two panel degrees, a measure of what the series leaves out.
    """

    coefficients: FloatArray
    tail: float

    def minus(self, other: "FieldSeries", /) -> "FieldSeries":
        """Return the series of the difference; shapes must agree."""
        return FieldSeries(self.coefficients - other.coefficients, max(self.tail, other.tail))

    def at(self, s: FloatArray, t: FloatArray, unit_pupil: FloatArray, /) -> FloatArray:
        """Return tangents (pupils, len(t), len(s), 2) on a panel lattice for unit pupils (pupils, 3)."""
        inner = self.at_pupil(unit_pupil)
        across = chebyshev.chebvander(s, inner.shape[1] - 1)
        down = chebyshev.chebvander(t, inner.shape[2] - 1)
        return np.asarray(np.einsum("vl,uk,pklc->pvuc", down, across, inner, optimize=True))

    def at_pupil(self, unit_pupil: FloatArray, /) -> FloatArray:
        """Return panel coefficients (pupils, u degree + 1, v degree + 1, 2) for unit pupils (pupils, 3)."""
        degrees = self.coefficients.shape[2:5]
        values = (chebyshev.chebvander(unit_pupil[:, a], d - 1) for a, d in enumerate(degrees))
        return np.asarray(np.einsum("klijnc,pi,pj,pn->pklc", self.coefficients, *values, optimize=True))


def field_series(
    field: "Field",
    box_mm: FloatArray,
    /,
    *,
    panel_nodes: int = PANEL_NODES,
    pupil_nodes: tuple[int, int, int] = PUPIL_NODES,
) -> FieldSeries:
    """Interpolate a field at Chebyshev nodes.

    Parameters
    ----------
    field : Field
        One channel and colour.
    box_mm : (2, 3) float array
        Lowest and highest pupil position, mm.
    panel_nodes, pupil_nodes : int, (int, int, int)
        Nodes along u and v, and along x, y and z; one along a side without length.

    Raises
    ------
    RenderError
        The field has no direction for a node.
    """
    low, high = np.asarray(box_mm, dtype=float)
    counts = tuple(n if h > a else 1 for n, a, h in zip(pupil_nodes, low, high, strict=True))
    axes = [nodes_1d(n) for n in counts]
    unit = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    pupils = 0.5 * (low + high) + 0.5 * (high - low) * unit
    node = nodes_1d(panel_nodes)
    width, height = field.panel_size_px
    u, v = 0.5 * width * (node + 1.0), 0.5 * height * (node + 1.0)
    values = np.stack([field.forward_lattice(u, v, pupil_mm=pupil) for pupil in pupils])
    if not np.isfinite(values).all():
        bad = int(np.argmax(~np.isfinite(values).all(axis=(1, 2, 3))))
        raise RenderError(
            f"channel '{field.channel}', {field.colour}: no direction for part of the panel from pupil "
            f"{tuple(np.round(pupils[bad], 3).tolist())} mm. Check the fit, or ask for a smaller eye box."
        )
    values = values.reshape(*counts, panel_nodes, panel_nodes, 2)
    inverse = [np.linalg.inv(chebyshev.chebvander(x, len(x) - 1)) for x in (*axes, node, node)]
    coefficients = np.einsum("ai,bj,cn,lv,ku,ijnvuC->klabcC", *inverse, values, optimize=True)
    tail = max(np.abs(coefficients[-2:]).max(), np.abs(coefficients[:, -2:]).max())
    return FieldSeries(coefficients, float(tail))


def trimmed_together(series: tuple[FieldSeries, ...], /) -> tuple[FieldSeries, ...]:
    """Return series of one shape without the highest degrees in which none reaches `NEGLIGIBLE`."""
    largest = np.max([np.abs(one.coefficients) for one in series], axis=0)
    cut = []
    for axis in range(5):
        others = tuple(other for other in range(6) if other != axis)
        needed = np.flatnonzero(largest.max(axis=others) > NEGLIGIBLE)
        # Two at least along the panel: the slope is asked for.
        cut.append(slice(0, max(int(needed.max(initial=0)) + 1, 2 if axis < 2 else 1)))
    return tuple(FieldSeries(one.coefficients[tuple(cut)], one.tail) for one in series)
