"""Captures of tiled pairs that go dark: rows are missing where a lens rim or a mirror's edge stops light.

Truth: the Erfle eyepiece of US patent 1,479,229 as optiland carries it, with rims and edges on its surfaces,
traced ray by ray. A direction is lit when its ray passes all of them and ends on the panel; nothing here is
fitted, and nothing but the grid and the module is shared with the code under test.

White needs every colour: a direction is lit for white where all colours are.

The gap, as the README defines it. The field ends at the outline of what is captured, that is of the convex
hull of a channel's dots on its panel, grown by one dot spacing, as it is seen from the pupil in every colour;
where two outlines do not meet, at the lines from one to the other, over the inner 85 % of the rows that hold
both. A dark direction inside is in the gap where it lies after lit directions of one channel and before lit
ones of the other along the line that joins the middles of their panels (in the plane of
`prewarp.seam.directions`), or where lit directions enclose it.
"""

import tempfile
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from scipy.ndimage import binary_fill_holes, label, maximum_filter, minimum_filter
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.transform import Rotation

from prewarp.eye import Eye, assemble_eye
from prewarp.field import FieldSet, fit_grid
from prewarp.grids import Grid, grid_from_samples
from prewarp.module import DisplayModule, read_module
from prewarp.seam.directions import node_areas_deg2, plane_deg_from_tangent, tangent_from_plane_deg
from tests.outside_eyepiece import erfle_surfaces
from tests.support import LONG, require_module
from tests.synthetic import pupil_lattice

PANEL = (2560, 2560)
PANEL_HALF_MM = 32.0
NOISE_PX = 0.05
WAVELENGTH_UM = {"R": 0.6563, "G": 0.5876, "B": 0.4861}
CENTRED, SIDE, CORNER = (0.0, 0.0, 0.0), (4.0, 0.0, 0.0), (4.0, 4.0, 0.0)
BETWEEN = ((1.0, 3.0, 0.0), (-2.9, -1.1, 0.0))
# Widest angle from the eye to a ray that is followed: beyond it no lens is met.
_FORWARD = 0.1
# Rows at either end of what both outlines have, as a share, over which no line joins them.
_TRIM = 0.075
# Nodes of a fine lattice to one of a coarse one.
_COARSE = 8
_NEWTON_STEPS = 12
_DOT_ERROR_PX = 1e-7


@dataclass(frozen=True)
class Optics:
    """Where one channel's eyepiece stands, and what stops its light.

    `yaw_deg`, `pitch_deg`: where its axis points, right and up; `roll_deg` turns it about the axis. `rims`:
    semi-apertures, mm, by number of the surface from the eye. `edges`: straight edges (surface, nx, ny, d):
    light passes where nx x + ny y is at most d, mm, in the lens's frame.
    """

    yaw_deg: float
    pitch_deg: float
    roll_deg: float = 0.0
    rims: tuple[tuple[int, float], ...] = ()
    edges: tuple[tuple[int, float, float, float], ...] = ()

    @property
    def from_eye(self) -> np.ndarray:
        """Matrix from the eye's frame to the lens's."""
        turns = (("y", self.yaw_deg), ("x", -self.pitch_deg), ("z", self.roll_deg))
        yaw, pitch, roll = (Rotation.from_euler(axis, angle, degrees=True) for axis, angle in turns)
        return (yaw * pitch * roll).as_matrix().T


@dataclass(frozen=True)
class Traced:
    """Rays followed to the panel: `pixel` (n, 2), px; `on_panel` and `lit` (n,)."""

    pixel: np.ndarray
    on_panel: np.ndarray
    lit: np.ndarray


def trace(optics: Optics, colour: str, tangent: np.ndarray, pupil_mm: np.ndarray) -> Traced:
    """Follow rays from pupils (n, 3) in directions (n, 2) through the lens, by optiland."""
    require_module("optiland")
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        from optiland.rays import RealRays

        ray = np.concatenate([tangent, np.ones((len(tangent), 1))], axis=1)
        ray = ray / np.linalg.norm(ray, axis=1, keepdims=True) @ optics.from_eye.T
        start = np.broadcast_to(pupil_mm, ray.shape) @ optics.from_eye.T
        rays = RealRays(*start.T, *ray.T, np.ones(len(ray)), np.full(len(ray), WAVELENGTH_UM[colour]))
        passed = ray[:, 2] > _FORWARD
        rims = dict(optics.rims)
        for number, surface in enumerate(erfle_surfaces()):
            surface.trace(rays)
            x, y = np.asarray(rays.x), np.asarray(rays.y)
            if number in rims:
                passed &= np.hypot(x, y) <= rims[number]
            for where, nx, ny, most in optics.edges:
                if where == number:
                    passed &= nx * x + ny * y <= most
        pixel = (np.stack([x, -y], axis=-1) / PANEL_HALF_MM + 1.0) * np.array(PANEL) / 2.0
        on_panel = (ray[:, 2] > _FORWARD) & ((pixel >= 0.0) & (pixel <= PANEL)).all(axis=1)
    return Traced(pixel, on_panel, on_panel & passed)


@dataclass(frozen=True)
class Hole:
    """What no channel lights from one pupil, between the channels.

    `tangent` (n, 2) and `area` (n,), square degrees: its nodes; `part` (n,): numbers of the parts that hang
    together.
    """

    tangent: np.ndarray
    area: np.ndarray
    part: np.ndarray

    @property
    def area_deg2(self) -> float:
        """Solid angle, square degrees."""
        return float(self.area.sum())

    def extents_deg(self, share: float = 1.0) -> np.ndarray:
        """Return the larger extent in dir_x or dir_y, degrees, of each part as large as a share of the
        largest.
        """
        if len(self.part) == 0:
            return np.zeros(1)
        size = np.bincount(self.part, weights=self.area)
        angle = np.degrees(np.arctan(self.tangent))
        return np.array(
            [
                np.ptp(angle[self.part == one], axis=0).max()
                for one in np.flatnonzero(size >= share * size.max())
            ]
        )


@dataclass(frozen=True, eq=False)
class Case:
    """A capture, its module, and the optics that made it. `spacing_deg`: of its dots, mid-field."""

    optics: Mapping[str, Optics]
    grid: Grid
    spacing_deg: float

    @property
    def module(self) -> DisplayModule:
        """The display module of these channels."""
        return _module(tuple(self.optics))

    @property
    def spacing_px(self) -> float:
        """Spacing of the dots on the panel, px: the lens shows 48 degrees of it across the middle."""
        return self.spacing_deg * PANEL[0] / 48.0

    def lit(self, channel: str, colour: str, tangent, pupil_mm) -> np.ndarray:
        """Return which directions (..., 2) a channel lights in a colour from pupils (..., 3), mm."""
        return self._traced(channel, colour, tangent, pupil_mm, "lit")

    def on_panel(self, channel: str, colour: str, tangent, pupil_mm) -> np.ndarray:
        """Return which directions end on the panel, were no light stopped; as `lit`."""
        return self._traced(channel, colour, tangent, pupil_mm, "on_panel")

    def white(self, channel: str, tangent, pupil_mm) -> np.ndarray:
        """Return which directions (..., 2) a channel lights in every colour."""
        return np.logical_and.reduce(
            [self.lit(channel, colour, tangent, pupil_mm) for colour in WAVELENGTH_UM]
        )

    def captured(self, channel: str, tangent, pupil_mm) -> np.ndarray:
        """Return which directions (..., 2) lie inside the outline of what is captured, in every colour."""
        tangent = np.asarray(tangent, dtype=float)
        rays = tangent.reshape(-1, 2), np.asarray(pupil_mm, dtype=float)
        inside = np.ones(len(rays[0]), dtype=bool)
        for colour in WAVELENGTH_UM:
            found = trace(self.optics[channel], colour, *rays)
            pixel = np.where(found.on_panel[:, None], found.pixel, -1e9)
            off = self._hull(channel)
            inside &= found.on_panel & np.all(
                pixel @ off[:, :2].T + off[:, 2] <= self.dots_px(channel), axis=1
            )
        return inside.reshape(tangent.shape[:-1])

    @cache  # noqa: B019 (cases live as long as the tests)
    def _hull(self, channel: str) -> np.ndarray:
        """Return the sides (k, 3) of the hull of a channel's dots on its panel, outward normals."""
        return ConvexHull(self.grid.select(channel=channel).pixel).equations

    @cache  # noqa: B019
    def dots_px(self, channel: str) -> float:
        """Return the spacing of neighbouring dots on the panel, px: the median of one green view."""
        rows = self.grid.select(channel=channel, colour="G")
        view = rows.pixel[(rows.pupil_mm == rows.pupil_mm[len(rows) // 2]).all(axis=1)]
        return float(np.median(cKDTree(view).query(view, k=2)[0][:, 1]))

    def hole(self, pupil_mm, step_deg: float = 0.15) -> Hole:
        """Return what is dark between two channels from a pupil (3,), on a lattice of `step_deg`."""
        x = np.arange(-70.0, 71.0)
        rough = np.stack(np.meshgrid(x, x), axis=-1)
        seen = [self.captured(name, tangent_from_plane_deg(rough), pupil_mm) for name in self.optics]
        forward = self.along(pupil_mm)
        side = np.array([-forward[1], forward[0]])
        places = rough[seen[0] | seen[1]] @ np.stack([forward, side], axis=-1)
        low = places.min(axis=0) - 2.0
        columns, rows = (
            np.ceil((places.max(axis=0) + 2.0 - low) / (_COARSE * step_deg)).astype(int) * _COARSE + 1
        )
        along, across = (
            start + step_deg * np.arange(count) for start, count in zip(low, (columns, rows), strict=True)
        )
        plane = along[None, :, None] * forward + across[:, None, None] * side
        lit, captured = (
            [self.on_lattice(what, name, plane, pupil_mm) for name in self.optics]
            for what in (self.white, self.captured)
        )
        gap = gap_nodes(lit, captured)
        parts, _ = label(gap, structure=np.ones((3, 3)))
        area = node_areas_deg2(plane[gap], step_deg)
        return Hole(tangent_from_plane_deg(plane[gap]), area, parts[gap])

    def along(self, pupil_mm) -> np.ndarray:
        """Return the way (2,) in the plane from the first channel to the second: from the direction in which
        the middle of its panel is seen to that of the other's.
        """
        middle, pupil = np.array([PANEL]) / 2.0, np.array([pupil_mm], dtype=float)
        seen = [direction_of_dot(one, "G", middle, pupil)[0] for one in self.optics.values()]
        first, second = plane_deg_from_tangent(np.stack(seen))
        return (second - first) / np.linalg.norm(second - first)

    def on_lattice(self, what: Callable, channel: str, plane: np.ndarray, pupil_mm) -> np.ndarray:
        """Return `white` or `captured` at nodes (m, n, 2) of the plane, traced only where a coarser lattice
        is not of one mind, and one coarse cell around that.
        """
        coarse = what(channel, tangent_from_plane_deg(plane[::_COARSE, ::_COARSE]), pupil_mm)
        known = [filter_(coarse, 3, mode="nearest") for filter_ in (minimum_filter, maximum_filter)]
        most, least = (np.minimum.reduce, np.maximum.reduce)
        everywhere, anywhere = (
            combine([one[:-1, :-1], one[1:, :-1], one[:-1, 1:], one[1:, 1:]])
            for combine, one in zip((most, least), known, strict=True)
        )
        rows, columns = (
            np.minimum(np.arange(count) // _COARSE, count // _COARSE - 1) for count in plane.shape[:2]
        )
        lit = everywhere[np.ix_(rows, columns)]
        unsure = anywhere[np.ix_(rows, columns)] & ~lit
        lit[unsure] = what(channel, tangent_from_plane_deg(plane[unsure]), pupil_mm)
        return lit

    def _traced(self, channel, colour, tangent, pupil_mm, what) -> np.ndarray:
        tangent, pupil = np.asarray(tangent, dtype=float), np.asarray(pupil_mm, dtype=float)
        shape = np.broadcast_shapes(tangent.shape[:-1], pupil.shape[:-1])
        rays = (
            np.broadcast_to(one, (*shape, one.shape[-1])).reshape(-1, one.shape[-1])
            for one in (tangent, pupil)
        )
        return getattr(trace(self.optics[channel], colour, *rays), what).reshape(shape)


def gap_nodes(lit: Sequence[np.ndarray], captured: Sequence[np.ndarray]) -> np.ndarray:
    """Return which nodes (m, n) of a lattice are in the gap between two channels.

    Rows run along the line from the first channel to the second; `lit`, `captured`: what each of them lights,
    and the inside of its outline. See the head of this file.
    """
    bridge = _between(*captured)
    both = np.flatnonzero(captured[0].any(axis=1) & captured[1].any(axis=1))
    if len(both):
        off = _TRIM * (both[-1] - both[0])
        row = np.arange(len(bridge))[:, None]
        bridge &= (row >= both[0] + off) & (row <= both[-1] - off)
    field = binary_fill_holes(captured[0] | captured[1] | bridge)
    dark = ~(lit[0] | lit[1])
    return field & dark & (_between(*lit) | binary_fill_holes(~dark))


def _between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return what lies after some node of a and before some of b, along the rows (m, n)."""
    before = np.logical_or.accumulate(b[:, ::-1], axis=1)[:, ::-1]
    return np.logical_or.accumulate(a, axis=1) & before


def _lattice(optics: Optics, half_deg: float, points: int) -> np.ndarray:
    """Return directions (points^2, 2) spread evenly in projected angles about a channel's axis."""
    axis = np.linspace(-half_deg, half_deg, points)
    middle = np.array([optics.yaw_deg, optics.pitch_deg])
    return np.tan(np.radians(np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2) + middle))


def _joined(parts: list[dict]) -> Grid:
    return grid_from_samples(**{key: np.concatenate([part[key] for part in parts]) for key in parts[0]})


def _seen_in_directions(
    optics: Mapping[str, Optics],
    pupils: np.ndarray,
    *,
    points: int,
    half_deg: float = 34.0,
    noise_px: float = 0.0,
) -> Case:
    """Return a traced capture: one lattice of directions per channel from every pupil, rows where lit."""
    parts = []
    for channel, one in optics.items():
        lattice = _lattice(one, half_deg, points)
        tangent, pupil = np.tile(lattice, (len(pupils), 1)), np.repeat(pupils, len(lattice), axis=0)
        for colour in WAVELENGTH_UM:
            found = trace(one, colour, tangent, pupil)
            parts.append(_part(channel, colour, pupil[found.lit], tangent[found.lit], found.pixel[found.lit]))
    return _spoiled(Case(optics, _joined(parts), 2.0 * half_deg / (points - 1)), noise_px=noise_px)


def _part(channel: str, colour: str, pupil: np.ndarray, tangent: np.ndarray, pixel: np.ndarray) -> dict:
    names = {"channel": np.full(len(pixel), channel), "colour": np.full(len(pixel), colour)}
    return {**names, "pupil_mm": pupil, "tangent": tangent, "pixel": pixel}


def _photographed(optics: Mapping[str, Optics], pupils: np.ndarray, *, points: int) -> Case:
    """Return photographs of one lattice of dots on the panel: rows are missing where a dot is dark."""
    axis = np.linspace(20.0, PANEL[0] - 20.0, points)
    dots = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    pixel, pupil = np.tile(dots, (len(pupils), 1)), np.repeat(pupils, len(dots), axis=0)
    parts = []
    for channel, one in optics.items():
        for colour in WAVELENGTH_UM:
            tangent = direction_of_dot(one, colour, pixel, pupil)
            lit = trace(one, colour, tangent, pupil).lit
            parts.append(_part(channel, colour, pupil[lit], tangent[lit], pixel[lit]))
    return Case(optics, _joined(parts), 48.0 * (axis[1] - axis[0]) / PANEL[0])


def direction_of_dot(optics: Optics, colour: str, pixel: np.ndarray, pupil: np.ndarray) -> np.ndarray:
    """Return tangents (n, 2) in which panel points (n, 2) are seen from pupils (n, 3): Newton on the trace.

    It starts from the direction that is traced nearest from the middle of the eye box: an eyepiece shows a
    dot in nearly the same direction from everywhere. NaN where it does not settle (no ray reaches the dot).
    """
    start = _lattice(optics, 34.0, 69)
    seen = trace(optics, colour, start, np.zeros(3))
    _, nearest = cKDTree(seen.pixel[seen.on_panel]).query(pixel)
    tangent = start[seen.on_panel][nearest]
    step = 1e-6
    slope = None
    for _ in range(_NEWTON_STEPS):
        off = trace(optics, colour, tangent, pupil).pixel - pixel
        if np.nanmax(np.abs(off)) < _DOT_ERROR_PX:
            break
        if slope is None or np.nanmax(np.abs(off)) > 1.0:
            moved = [trace(optics, colour, tangent + step * way, pupil).pixel for way in np.eye(2)]
            slope = np.stack([one - pixel - off for one in moved], axis=-1) / step
        determinant = slope[:, 0, 0] * slope[:, 1, 1] - slope[:, 0, 1] * slope[:, 1, 0]
        x = (slope[:, 1, 1] * off[:, 0] - slope[:, 0, 1] * off[:, 1]) / determinant
        y = (slope[:, 0, 0] * off[:, 1] - slope[:, 1, 0] * off[:, 0]) / determinant
        tangent = tangent - np.stack([x, y], axis=-1)
    off = np.abs(trace(optics, colour, tangent, pupil).pixel - pixel).max(axis=1)
    return np.where((off < 1e-6)[:, None], tangent, np.nan)


def _spoiled(case: Case, *, noise_px: float, lost: float = 0.0) -> Case:
    """Return a case with noise on the panel points and a share of its rows missing at random."""
    random = np.random.default_rng(17)
    grid = case.grid.take(random.random(len(case.grid)) >= lost)
    noise = noise_px * random.normal(size=grid.pixel.shape)
    return replace(case, grid=replace(grid, pixel=grid.pixel + noise))


def alternating(count: int, depth_mm: float) -> np.ndarray:
    """Return (count^2, 3) pupils, mm, whose z alternates like the fields of a chessboard."""
    pupils = pupil_lattice(count)
    column, row = np.arange(count * count) % count, np.arange(count * count) // count
    pupils[:, 2] = depth_mm * (1.0 - 2.0 * ((row + column) % 2))
    return pupils


RIMS = ((2, 27.0), (6, 30.0))
STACKED = {"upper": Optics(0.0, 17.0, rims=RIMS), "lower": Optics(0.0, -17.0, rims=RIMS)}
BESIDE = {"inner": Optics(-16.0, -20.0, rims=RIMS), "outer": Optics(16.0, -20.0, rims=RIMS)}
# A mirror's edge cuts the corner of one channel at the seam, another the rim of its neighbour.
CUT = {
    "inner": Optics(-15.0, 8.0, rims=((2, 33.0), (6, 36.0)), edges=((2, 0.8, 0.6, 16.0),)),
    "outer": Optics(15.0, 8.0, rims=((2, 33.0), (6, 36.0)), edges=((6, -0.6, 0.8, 22.0),)),
}
# A straight stop near the eye ends the upper channel where it meets the lower one, and moves with the pupil.
APART = {
    "upper": Optics(0.0, 19.0, rims=RIMS, edges=((1, 0.0, -1.0, 9.0),)),
    "lower": Optics(0.0, -17.0, rims=RIMS),
}
# Axes 33 degrees apart in height; rims just wide enough for the pupil centred, not for one 4 mm to the right;
# side edges that lean inward, so that little but the seam's ends is dark.
STEEP_RIMS = ((2, 32.6), (6, 41.1))
STEEP = {
    "upper": Optics(0.0, 27.2, rims=STEEP_RIMS, edges=((6, 0.921, 0.389, 30.3), (6, -0.921, 0.389, 30.3))),
    "lower": Optics(0.0, -5.4, rims=STEEP_RIMS, edges=((6, 0.921, -0.389, 30.3), (6, -0.921, -0.389, 30.3))),
}
OPEN = {"inner": Optics(-16.0, 0.0, rims=((2, 80.0),)), "outer": Optics(16.0, 0.0, rims=((2, 80.0),))}

CASES: Mapping[str, Callable[[], Case]] = {
    "stacked": lambda: _seen_in_directions(STACKED, pupil_lattice(5), points=33),
    "side by side, pitched": lambda: _seen_in_directions(BESIDE, pupil_lattice(5), points=29),
    "photographs": lambda: _photographed(BESIDE, pupil_lattice(5), points=27),
    "cut mirror, two depths": lambda: _seen_in_directions(
        CUT, alternating(5, 2.0), points=33, noise_px=NOISE_PX
    ),
    "apart from some pupils": lambda: _seen_in_directions(
        APART, pupil_lattice(5), points=33, noise_px=NOISE_PX
    ),
    "steep": lambda: _seen_in_directions(STEEP, pupil_lattice(5), points=33, noise_px=NOISE_PX),
    "stacked, rows lost": lambda: _spoiled(case("stacked"), noise_px=NOISE_PX, lost=0.02),
    "nothing dark": lambda: _seen_in_directions(OPEN, pupil_lattice(5), points=29, noise_px=NOISE_PX),
    "stacked, 3 x 3 pupils": lambda: _seen_in_directions(STACKED, pupil_lattice(3), points=33),
}


# Every run of the tests looks at one case, from a few pupils; with PREWARP_LONG in the environment at all of
# them, from all.
CHECKED = tuple(CASES) if LONG else ("steep",)
FIRST = CHECKED[0]


def among(*names: str) -> list[str]:
    """Return those of some cases that this run looks at, or the first of all."""
    return [name for name in names if name in CHECKED] or [FIRST]


@cache
def case(name: str) -> Case:
    """Return a case, traced once."""
    return CASES[name]()


@cache
def fitted(name: str) -> FieldSet:
    """Return the fit of a case."""
    return fit_grid(case(name).grid, panel_size_px=case(name).module.panel_sizes_px)


@cache
def eye(name: str) -> Eye:
    """Return the eye of a case."""
    return assemble_eye(fitted(name), case(name).module)


@cache
def _module(channels: tuple[str, ...]) -> DisplayModule:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dark.module.toml"
        path.write_text(module_text(channels), encoding="utf-8")
        return read_module(path)


def module_text(channels: tuple[str, ...]) -> str:
    """Return the module file of a pair."""
    return _MODULE + "".join(_CHANNEL.format(name=name) for name in channels)


_MODULE = """
name = "dark pair"
[eye_box]
half_x_mm = 4.0
half_y_mm = 4.0
half_z_mm = 0.0
[content]
projection = "equidistant"
width_px = 480
height_px = 480
field_x_deg = 120.0
[color.R]
wavelength_nm = 656.3
[color.G]
wavelength_nm = 587.6
[color.B]
wavelength_nm = 486.1
"""
_CHANNEL = """
[channel.{name}]
eye = "right"
[channel.{name}.panel]
width_px = 2560
height_px = 2560
pitch_um = 25.0
encoding = "srgb"
bit_depth = 8
[channel.{name}.reach]
dir_x_deg = [-60.0, 60.0]
dir_y_deg = [-60.0, 60.0]
"""
