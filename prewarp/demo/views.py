"""The demo's looks through a module: overviews, and close-ups of the seam, before and after, while the eye moves."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.demo.figures import CENTRED_MM, MOVED_MM
from prewarp.errors import RenderError
from prewarp.field import FieldSet
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh, panel_mesh
from prewarp.render.cpu import view_maps
from prewarp.render.drawing import Drawing
from prewarp.render.pictures import field_colours
from prewarp.seam import Seam

# An overview has about 9 px a degree, the panel 55: half the panel's pixels are plenty, and are drawn four times as fast.
OVERVIEW_SHRINK = 2
OVERVIEW_SIZE_PX = (640, 320)
# Nodes of a panel's mesh kept around what a close-up sees.
_MARGIN_NODES = 4

# State of a picture -> (is the content warped and blended, tracked pupil, pupil).
LOOKS: Mapping[str, tuple[bool, FloatArray, FloatArray]] = {
    "raw": (False, CENTRED_MM, CENTRED_MM),
    "corrected": (True, CENTRED_MM, CENTRED_MM),
    "moved_untracked": (True, CENTRED_MM, MOVED_MM),
    "moved_tracked": (True, MOVED_MM, MOVED_MM),
}


@dataclass(frozen=True)
class CloseUp:
    """A window on directions: a small part of a flat picture, `scale_px` per unit tangent, about `centre` (tangents)."""

    centre: FloatArray
    size_px: tuple[int, int]
    scale_px: float

    def tangent_from_pixel(self, pixel: FloatArray, /) -> FloatArray:
        """Return directions (..., 2) of picture px (..., 2)."""
        offset = (np.asarray(pixel) - np.array(self.size_px) / 2.0) / self.scale_px
        return self.centre + offset * np.array([1.0, -1.0])

    def pixel_from_tangent(self, tangent: FloatArray, /) -> FloatArray:
        """Return picture px (..., 2) of directions (..., 2)."""
        return (np.asarray(tangent) - self.centre) * np.array([1.0, -1.0]) * self.scale_px + np.array(
            self.size_px
        ) / 2.0


View = ContentProjection | CloseUp
Meshes = dict[str, list[PanelMesh]]
Maps = dict[str, tuple[SplineLattice, ...]]


class Looks:
    """Draws one module in the states of `LOOKS`; its meshes are made once for all pictures."""

    def __init__(self, drawing: Drawing, fields: FieldSet, content: ContentProjection, seam: Seam, /) -> None:
        self._drawing, self._fields, self._content = drawing, fields, content
        self._meshes: dict[str, Meshes] = {}
        for state, (warped, tracked, _) in LOOKS.items():
            same = next((other for other in self._meshes if _same_panels(state, other)), None)
            self._meshes[state] = self._meshes[same] if same else self._made(warped, tracked, seam)

    def _made(self, warped: bool, tracked: FloatArray, seam: Seam) -> Meshes:
        return {
            channel: [
                panel_mesh(
                    self._fields.field(channel, colour),
                    self._content,
                    tracked_pupil_mm=tracked,
                    seam=seam if warped else None,
                    warped=warped,
                )
                for colour in field_colours(self._fields.colours)
            ]
            for channel in self._fields.channels
        }

    def overviews(self, image: NDArray[np.uint8], /) -> dict[str, NDArray[np.uint8]]:
        """Return the whole view of a content picture, given at `1 / OVERVIEW_SHRINK` of its size, in each state."""
        view = ContentProjection(self._content.projection, OVERVIEW_SIZE_PX, self._content.field_x_deg)
        maps = self._maps(view, tuple(LOOKS))
        smaller = {
            state: {name: _shrunk_map(three) for name, three in made.items()} for state, made in maps.items()
        }
        return self._draw(image, view, smaller, _shrunk)

    def close_ups(
        self, image: NDArray[np.uint8], window: CloseUp, /, *, states: Sequence[str] = tuple(LOOKS)
    ) -> dict[str, NDArray[np.uint8]]:
        """Return a close-up in each of the states; panels are drawn at full resolution, but only the part that is seen."""
        maps = self._maps(window, states)
        seen = {
            channel: _nodes_seen([made[channel] for made in maps.values()], self._meshes["raw"][channel][0])
            for channel in self._fields.channels
        }
        moved = {
            state: {
                name: _moved_map(three, seen[name], self._meshes["raw"][name][0])
                for name, three in made.items()
            }
            for state, made in maps.items()
        }
        return self._draw(image, window, moved, lambda mesh: _cut(mesh, seen[mesh.channel]))

    def _maps(self, view: View, states: Sequence[str]) -> dict[str, Maps]:
        by_pupil: dict[bytes, Maps] = {}
        for state in states:
            pupil = LOOKS[state][2]
            if pupil.tobytes() not in by_pupil:
                by_pupil[pupil.tobytes()] = {
                    name: view_maps(self._fields, name, view, pupil_mm=pupil)
                    for name in self._fields.channels
                }
        return {state: by_pupil[LOOKS[state][2].tobytes()] for state in states}

    def _draw(
        self,
        image: NDArray[np.uint8],
        view: View,
        maps: dict[str, Maps],
        change: Callable[[PanelMesh], PanelMesh],
    ) -> dict[str, NDArray[np.uint8]]:
        pictures, drawn = {}, None
        for state, seen in maps.items():
            # Views show the panels drawn last; states that differ by the pupil alone share them.
            if drawn is None or not _same_panels(state, drawn):
                meshes = self._meshes[state]
                self._drawing.panels(
                    image, {name: [change(mesh) for mesh in three] for name, three in meshes.items()}
                )
            drawn = state
            pictures[state] = self._drawing.view(seen, view)
        return pictures


def _same_panels(state: str, other: str) -> bool:
    (warped, tracked, _), (other_warped, other_tracked, _) = LOOKS[state], LOOKS[other]
    return warped == other_warped and np.array_equal(tracked, other_tracked)


def _shrunk(mesh: PanelMesh) -> PanelMesh:
    """Return the mesh of a panel with fewer pixels over the same area, for content with fewer pixels."""
    size = tuple(length // OVERVIEW_SHRINK for length in mesh.panel_size_px)
    return replace(mesh, panel_size_px=size, content_px=mesh.content_px / OVERVIEW_SHRINK)


def _shrunk_map(maps: Sequence[SplineLattice]) -> tuple[SplineLattice, ...]:
    return tuple(replace(spline, coefficients=spline.coefficients / OVERVIEW_SHRINK) for spline in maps)


def _nodes_seen(maps: Sequence[Sequence[SplineLattice]], mesh: PanelMesh) -> tuple[slice, slice]:
    """Return the rows and columns of nodes around all panel points that the maps lead to."""
    points = np.concatenate([spline.coefficients.reshape(-1, 2) for three in maps for spline in three])
    spans = []
    for axis, nodes in ((1, mesh.weight.shape[0]), (0, mesh.weight.shape[1])):
        place = points[:, axis] / _step_px(mesh)[axis]
        first = int(np.clip(np.floor(place.min()) - _MARGIN_NODES, 0, nodes - 2 * _MARGIN_NODES))
        last = int(np.clip(np.ceil(place.max()) + _MARGIN_NODES, first + 2 * _MARGIN_NODES - 1, nodes - 1))
        spans.append(slice(first, last + 1))
    return spans[0], spans[1]


def _step_px(mesh: PanelMesh) -> FloatArray:
    """Return the distance of nodes along u and v; whole numbers, so that a cut has whole pixels."""
    step = np.array(mesh.panel_size_px) / (np.array(mesh.weight.shape[::-1]) - 1)
    if np.any(step != np.rint(step)):
        raise RenderError(
            f"a panel of {mesh.panel_size_px} px is not a whole number of mesh steps; it cannot be cut."
        )
    return step


def _cut(mesh: PanelMesh, seen: tuple[slice, slice]) -> PanelMesh:
    rows, columns = seen
    step = _step_px(mesh)
    size = (int((columns.stop - columns.start - 1) * step[0]), int((rows.stop - rows.start - 1) * step[1]))
    parts = {name: getattr(mesh, name)[rows, columns] for name in ("tangent", "content_px", "weight")}
    return replace(mesh, panel_size_px=size, **parts)


def _moved_map(
    maps: Sequence[SplineLattice], seen: tuple[slice, slice], mesh: PanelMesh
) -> tuple[SplineLattice, ...]:
    """Return the maps with panel points counted from the corner of the cut."""
    corner = np.array([seen[1].start, seen[0].start]) * _step_px(mesh)
    return tuple(replace(spline, coefficients=spline.coefficients - corner) for spline in maps)
