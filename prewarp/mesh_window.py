"""A window on a panel: a rectangle of a mesh's nodes, for pictures that see a part of the panel only."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh

# Nodes kept around what is seen, for the spline's sake.
MARGIN_NODES = 4


@dataclass(frozen=True)
class MeshWindow:
    """Rows and columns of nodes, `step_px` (2,) apart along u and v."""

    rows: slice
    columns: slice
    step_px: FloatArray

    @property
    def corner_px(self) -> FloatArray:
        """The window's top-left corner on the panel, (2,) px."""
        return np.array([self.columns.start, self.rows.start]) * self.step_px

    def cut(self, mesh: PanelMesh, /) -> PanelMesh:
        """Return the window as the mesh of a panel of its own."""
        nodes = np.array([self.columns.stop - self.columns.start, self.rows.stop - self.rows.start])
        width, height = np.rint((nodes - 1) * self.step_px).astype(int)
        parts = {
            name: getattr(mesh, name)[self.rows, self.columns] for name in ("tangent", "content_px", "weight")
        }
        light = None if mesh.light is None else mesh.light.cut(self.rows, self.columns)
        return replace(mesh, panel_size_px=(int(width), int(height)), light=light, **parts)

    def moved(self, maps: Sequence[SplineLattice], /) -> tuple[SplineLattice, ...]:
        """Return view maps (u, v, and what follows) with panel points counted from the window's corner."""
        corner = self.corner_px
        return tuple(
            replace(
                spline,
                coefficients=spline.coefficients - np.pad(corner, (0, spline.coefficients.shape[-1] - 2)),
            )
            for spline in maps
        )


def window_around(points: FloatArray, mesh: PanelMesh, /) -> MeshWindow:
    """Return the window that holds those of panel points (n, 2), px, that are on the panel, and a margin.

    All of the panel where its nodes do not lie on whole pixels: a window must have whole pixels.
    """
    nodes = np.array(mesh.weight.shape[::-1])
    step = np.array(mesh.panel_size_px) / (nodes - 1)
    if np.any(step != np.rint(step)):
        first, last = np.zeros(2, dtype=int), nodes - 1
    else:
        place = points / step
        first = np.clip(np.floor(place.min(axis=0)) - MARGIN_NODES, 0, nodes - 2 * MARGIN_NODES).astype(int)
        last = np.ceil(place.max(axis=0)) + MARGIN_NODES
        last = np.clip(last, first + 2 * MARGIN_NODES - 1, nodes - 1).astype(int)
    columns, rows = (slice(int(low), int(high) + 1) for low, high in zip(first, last, strict=True))
    return MeshWindow(rows, columns, step)
