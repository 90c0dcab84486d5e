"""The demo's looks through a module: overviews, and close-ups of the seam, before and after, while the eye
moves.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.demo.figures import CENTRED_MM, MOVED_MM
from prewarp.eye import Eye
from prewarp.lattice import SplineLattice
from prewarp.mesh import PanelMesh
from prewarp.mesh_window import window_around
from prewarp.render.cpu import panel_meshes, view_maps
from prewarp.render.drawing import Drawing

# An overview has about 9 px a degree, the panel 55: a quarter of the panel's pixels each way are plenty, and
# drawn 16 times as fast.
OVERVIEW_SHRINK = 4
OVERVIEW_SIZE_PX = (640, 320)

# State of a picture -> (is the content warped and blended, tracked pupil, pupil).
LOOKS: Mapping[str, tuple[bool, FloatArray, FloatArray]] = {
    "raw": (False, CENTRED_MM, CENTRED_MM),
    "corrected": (True, CENTRED_MM, CENTRED_MM),
    "moved_untracked": (True, CENTRED_MM, MOVED_MM),
    "moved_tracked": (True, MOVED_MM, MOVED_MM),
}


@dataclass(frozen=True)
class CloseUp:
    """A window on directions: a small part of a flat picture, `scale_px` per unit tangent, about `centre`
    (tangents).
    """

    centre: FloatArray
    size_px: tuple[int, int]
    scale_px: float

    def tangent_from_pixel(self, pixel: FloatArray, /) -> FloatArray:
        """Return directions (..., 2) of picture px (..., 2)."""
        offset = (np.asarray(pixel) - np.array(self.size_px) / 2.0) / self.scale_px
        tangent: FloatArray = self.centre + offset * np.array([1.0, -1.0])
        return tangent

    def pixel_from_tangent(self, tangent: FloatArray, /) -> FloatArray:
        """Return picture px (..., 2) of directions (..., 2)."""
        offset = (np.asarray(tangent) - self.centre) * np.array([1.0, -1.0]) * self.scale_px
        pixel: FloatArray = offset + np.array(self.size_px) / 2.0
        return pixel


View = ContentProjection | CloseUp
Meshes = dict[str, tuple[PanelMesh, ...]]
Maps = dict[str, tuple[SplineLattice, ...]]


class Looks:
    """Draws one module in the states of `LOOKS`; its meshes are made once for all pictures."""

    def __init__(self, drawing: Drawing, eye: Eye, /) -> None:
        self._drawing, self._eye = drawing, eye
        self._meshes: dict[str, Meshes] = {}
        for state, (warped, tracked, _) in LOOKS.items():
            same = next((other for other in self._meshes if _same_panels(state, other)), None)
            self._meshes[state] = self._meshes[same] if same else self._made(warped, tracked)

    def _made(self, warped: bool, tracked: FloatArray) -> Meshes:
        return {
            channel: panel_meshes(
                self._eye.fields,
                channel,
                self._eye.content,
                tracked_pupil_mm=tracked,
                seam=self._eye.seam if warped else None,
                warped=warped,
            )
            for channel in self._eye.channels
        }

    def overviews(self, image: NDArray[np.uint8], /) -> dict[str, NDArray[np.uint8]]:
        """Return the whole view of a content picture, given at `1 / OVERVIEW_SHRINK` of its size, in each
        state.
        """
        view = ContentProjection(
            self._eye.content.projection, OVERVIEW_SIZE_PX, self._eye.content.field_x_deg
        )
        maps = self._maps(view, tuple(LOOKS))
        smaller = {
            state: {name: _shrunk_map(three) for name, three in made.items()} for state, made in maps.items()
        }
        return self._draw(image, view, smaller, _shrunk)

    def close_ups(
        self, image: NDArray[np.uint8], window: CloseUp, /, *, states: Sequence[str] = tuple(LOOKS)
    ) -> dict[str, NDArray[np.uint8]]:
        """Return a close-up in each of the states; panels are drawn at full resolution, but only the part
        that is seen.
        """
        maps = self._maps(window, states)
        seen = {
            channel: window_around(
                np.concatenate(
                    [
                        spline.coefficients[..., :2].reshape(-1, 2)
                        for made in maps.values()
                        for spline in made[channel]
                    ]
                ),
                self._meshes["raw"][channel][0],
            )
            for channel in self._eye.channels
        }
        moved = {
            state: {name: seen[name].moved(three) for name, three in made.items()}
            for state, made in maps.items()
        }
        return self._draw(image, window, moved, lambda mesh: seen[mesh.channel].cut(mesh))

    def _maps(self, view: View, states: Sequence[str]) -> dict[str, Maps]:
        by_pupil: dict[bytes, Maps] = {}
        for state in states:
            pupil = LOOKS[state][2]
            if pupil.tobytes() not in by_pupil:
                by_pupil[pupil.tobytes()] = {
                    name: view_maps(self._eye.fields, name, view, pupil_mm=pupil)
                    for name in self._eye.channels
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
    width, height = (length // OVERVIEW_SHRINK for length in mesh.panel_size_px)
    return replace(mesh, panel_size_px=(width, height), content_px=mesh.content_px / OVERVIEW_SHRINK)


def _shrunk_map(maps: Sequence[SplineLattice]) -> tuple[SplineLattice, ...]:
    """Return view maps to panels with fewer pixels; what follows u, v (how much is lit) stays."""

    def shrunk(spline: SplineLattice) -> SplineLattice:
        coefficients = spline.coefficients.copy()
        coefficients[..., :2] /= OVERVIEW_SHRINK
        return replace(spline, coefficients=coefficients)

    return tuple(shrunk(spline) for spline in maps)
