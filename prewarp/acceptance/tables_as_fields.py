"""A package's map with the face of a fitted field, as far as the seam error asks for one.

For many pupil positions at once: the tables' own coefficients, in double precision (the device's single
precision differs by 1e-7 of a tangent).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import BoolArray, FloatArray, as_pixel, as_pupil, as_tangent
from prewarp.lookup import Family, Lookup, prepare
from prewarp.lookup.chebyshev_terms import decoded_coefficients
from prewarp.lookup.pupil import pupil_values

# Newton's method: slopes by differences of so many px, kept when steps are as short as this; steps, and where
# they end, px.
_STEP_PX, _NEAR_PX, _STEPS, _DONE_PX = 2.0, 4.0, 16, 1e-6


@dataclass(frozen=True)
class PanelPoints:
    """Panel points (..., 2), px, and which of them the tables found on the panel."""

    pixel: FloatArray
    valid: BoolArray


@dataclass(frozen=True)
class TableField:
    """The map of a channel and colour of a lookup, for directions (m, 1 or p, 2) from pupils (1, p, 3)."""

    lookup: Lookup
    channel: str
    colour: str

    @property
    def panel_size_px(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.lookup.panel_sizes_px[self.lookup.channels.index(self.channel)]

    def forward(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return directions (m, p, 2) of panel points."""
        return self._for(as_pupil(pupil_mm)).forward(as_pixel(pixel))

    def inverse(self, tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> PanelPoints:
        """Return the panel points (m, p, 2) of directions."""
        pupils, wanted = as_pupil(pupil_mm).reshape(-1, 3), as_tangent(tangent)
        start = np.broadcast_to(0.5 * np.asarray(self.panel_size_px), (len(wanted), 1, 2))
        if len(pupils) > 1:
            # What a pupil in the middle sees is near.
            start, _ = self._searched(wanted[:, :1], np.mean(pupils, axis=0)[None], start)
        pixel, move = self._searched(wanted, pupils, start)
        size = np.asarray(self.panel_size_px, dtype=float)
        found = np.all(np.abs(move) < 1e-3, axis=-1) & np.all((pixel >= 0.0) & (pixel <= size), axis=-1)
        return PanelPoints(pixel, found)

    def _searched(
        self, wanted: FloatArray, pupils: FloatArray, start: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return panel points (m, p, 2) near directions (m, 1 or p, 2) and their last move, from a start."""
        own, size = self._for(pupils), np.asarray(self.panel_size_px, dtype=float)
        wanted = np.broadcast_to(wanted, (len(wanted), len(pupils), 2))
        pixel = np.broadcast_to(start, wanted.shape).copy()
        inverse, largest = np.zeros((*wanted.shape, 2)), np.inf
        for _ in range(_STEPS):
            here = own.forward(pixel)
            if largest > _NEAR_PX:
                columns = [(own.forward(pixel + step) - here) / _STEP_PX for step in _STEP_PX * np.eye(2)]
                inverse = np.linalg.inv(np.stack(columns, axis=-1))
            move = np.einsum("mpij,mpj->mpi", inverse, wanted - here)
            wished = pixel + np.clip(move, -0.25 * size, 0.25 * size)
            pixel = np.clip(wished, -0.05 * size, 1.05 * size)
            # What ends beyond the panel need not be found.
            largest = float(
                np.max(np.abs(move), initial=0.0, where=np.all(wished == pixel, axis=-1)[..., None])
            )
            if largest < _DONE_PX:
                break
        return pixel, move

    def _for(self, pupils: FloatArray) -> "_Prepared":
        place = self.lookup.map_index(self.channel, self.colour)
        return _Prepared(self.lookup, place, pupils.reshape(-1, 3))


@dataclass(frozen=True)
class _Prepared:
    """A map of a lookup, by its place, for pupils (p, 3)."""

    lookup: Lookup
    place: int
    pupils_mm: FloatArray

    @cached_property
    def _tables(self) -> list[FloatArray] | None:
        """Coefficients (p, functions, 2) of the map and of those that it builds on; None for splines."""
        low, high = np.asarray(self.lookup.pupil_box_mm, dtype=float)
        size = np.where(high > low, high - low, 1.0)
        unit = np.where(high > low, (2.0 * self.pupils_mm - low - high) / size, 0.0)
        unit, found = np.clip(unit, -1.0, 1.0), []
        place: int | None = self.place
        while place is not None:
            table = self.lookup.maps[place]
            if table.family != Family.CHEBYSHEV:
                return None
            values = pupil_values(unit, table.pupil_degree)
            found.append(np.einsum("pk,ckf->pfc", values, decoded_coefficients(table)))
            place = table.base
        return found

    def forward(self, pixel: FloatArray) -> FloatArray:
        """Return directions (m, p, 2) of panel points (m, 1 or p, 2)."""
        pixel = np.broadcast_to(pixel, (len(pixel), len(self.pupils_mm), 2))
        if self._tables is None:
            maps = (prepare(self.lookup, self.place, pupil) for pupil in self.pupils_mm)
            seen = [one.direction_from_panel(pixel[:, n]).astype(float) for n, one in enumerate(maps)]
            return np.stack(seen, axis=1)
        size = np.asarray(self.lookup.panel_sizes_px[self.lookup.maps[self.place].channel], dtype=float)
        s, t = np.moveaxis(2.0 * pixel / size - 1.0, -1, 0)
        total = np.zeros(pixel.shape)
        for table in self._tables:
            values = values_2d(s.ravel(), t.ravel(), _degree_of(table.shape[1]))
            at = np.moveaxis(values.reshape(-1, *s.shape), 0, -1)
            total += np.matmul(at.swapaxes(0, 1), table).swapaxes(0, 1)
        return total


def _degree_of(count: int) -> int:
    degree = 0
    while count_of_degree(degree) < count:
        degree += 1
    return degree
