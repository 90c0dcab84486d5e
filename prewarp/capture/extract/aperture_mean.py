"""By how much the mean over the camera's pupil is off the chief ray, by the field and the light of a grid.

A centroid is the mean over the light that comes through the aperture. The field says where the ray through
each of its points goes; the luminance of the grid, how much light comes that way: a panel point that gives
more light to one side of the aperture is seen from there. A ray that crosses the pupil at a lands where one
of direction t + a D / 1000 through its middle does, D the distance in dioptres that the camera is focused on:
what light that differs over the aperture does is r^2/4 grad(log L) times the defocus, and nothing in focus.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.camera import turned_by
from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import FitError
from prewarp.field import Field, FieldSet, fit_grid
from prewarp.frames import MM_PER_M
from prewarp.grids import Grid
from prewarp.photometry.fit import fit_luminance
from prewarp.photometry.luminance import LuminanceMap, LuminanceMaps, ScaledLuminance
from prewarp.poses import fit_free_poses

_RINGS, _SPOKES = 2, 8
# From fewer positions of a camera that looks straight ahead turned ones are asked as well for their light.
_LEAST_STRAIGHT = 6
_LIGHT_STEP_MM = 0.05
Light = LuminanceMap | ScaledLuminance


@dataclass(frozen=True)
class Through:
    """What the rows of a grid were seen through, (n,) each.

    Parameters
    ----------
    diameter_mm : (n,) float array
        Of the aperture.
    walk_mm : (n,) float array
        How much further ahead along the camera's axis the pupil lay than the grid says.
    rotation : (n, 3, 3) float array
        Camera to wearer.
    focus_dioptres : (n,) float array
        What the camera is focused on; NaN where it is not known.
    """

    diameter_mm: FloatArray
    walk_mm: FloatArray
    rotation: FloatArray
    focus_dioptres: FloatArray

    def rows(self, rows: np.ndarray, /) -> "Through":
        """Return those of some rows."""
        return Through(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def chief_minus_mean(
    grid: Grid, through: Through, /, *, base: FieldSet | None = None
) -> tuple[FloatArray, str]:
    """Return the chief ray's direction less the mean over the aperture (n, 2), and what else to say of it.

    Turns of the camera by an arcmin would pass for bends of the field, so poses are found where there are
    enough of them. `base`: a fit to take instead of the grid's own field.

    Raises
    ------
    PrewarpError
        No field can be fitted.
    """
    fields, pupil_mm = (base, grid.pupil_mm) if base is not None else _own_field(grid)
    light = _own_light(grid, through)
    mean, heavy = np.zeros_like(grid.tangent), np.zeros_like(grid.tangent)
    dioptres = np.full(len(grid), np.nan)
    for channel, colour in grid.pairs():
        rows = np.flatnonzero(grid.rows_of(channel, colour))
        field = fields.field(channel, colour)
        own = None if light is None or (channel, colour) not in light.maps else light.map(channel, colour)
        place = grid.pixel[rows], pupil_mm[rows]
        mean[rows], heavy[rows], dioptres[rows] = _means(field, own, *place, through.rows(rows))
    focus, words = _focus(through.focus_dioptres, dioptres, even=light is None)
    seen = turned_by(mean + heavy * (focus / MM_PER_M)[:, None], through.rotation)
    chief = np.zeros_like(grid.tangent)
    for channel, colour in grid.pairs():
        rows = np.flatnonzero(grid.rows_of(channel, colour))
        chief[rows] = fields.field(channel, colour).forward(grid.pixel[rows], pupil_mm=pupil_mm[rows])
    moved = chief - seen
    return np.where(np.isfinite(moved), moved, 0.0), words


def _focus(stated: FloatArray, dioptres: FloatArray, *, even: bool) -> tuple[FloatArray, str]:
    """Return what the camera is focused on (n,), and what to say of it; `dioptres` (n,) of the images.

    A focus that is wrong by a dioptre leaves what uneven light does, not what bends of the field do.
    """
    if even:
        return np.zeros(len(stated)), "; light is taken as even over that pupil: needs luminance"
    if np.all(np.isfinite(stated)):
        return stated, ""
    taken = float(np.nanmean(dioptres)) if np.any(np.isfinite(dioptres)) else 0.0
    words = (
        f"; the camera is taken as focused on the mean of the images, {taken:.2f} dioptres (not known: needs "
        "focus_dioptres in the camera file)"
    )
    return np.where(np.isfinite(stated), stated, taken), words


def _means(
    field: Field, light: Light | None, pixel: FloatArray, pupil_mm: FloatArray, through: Through
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mean direction (n, 2) over the light in the aperture, tangents of the camera's frame; where
    in it that light has its middle, (n, 2) mm; and the distance of the image, (n,) dioptres.
    """
    place, weight = disc_rule()
    back = through.rotation.transpose(0, 2, 1)
    radius = 0.5 * through.diameter_mm[:, None]
    slope = np.zeros_like(pixel)
    if light is not None:
        slope = _light_slope(
            light, pixel, field.forward(pixel, pupil_mm=pupil_mm), pupil_mm, through.rotation
        )
    mean, apart = np.zeros_like(pixel), np.zeros(len(pixel))
    for point, share in zip(place, weight, strict=True):
        off = radius * point
        ahead = np.concatenate([off, through.walk_mm[:, None]], axis=1)
        at = pupil_mm + np.einsum("nij,nj->ni", through.rotation, ahead)
        own = turned_by(field.forward(pixel, pupil_mm=at), back)
        mean += share * (1.0 + np.sum(slope * off, axis=1, keepdims=True)) * own
        apart += share * np.sum(own * off, axis=1)
    # Over the disc x^2 has the mean r^2/4; the slope over the pupil is less the dioptres.
    dioptres = -MM_PER_M * apart / np.where(radius[:, 0] > 0.0, 0.5 * radius[:, 0] ** 2, np.nan)
    return mean, 0.25 * radius**2 * slope, dioptres


def _light_slope(
    light: Light, pixel: FloatArray, tangent: FloatArray, pupil_mm: FloatArray, rotation: FloatArray
) -> FloatArray:
    """Return the relative change of light per mm along the aperture's two axes, (n, 2).

    In the aperture's middle: a map is not followed far beyond the positions that were captured.
    """
    steps = [_LIGHT_STEP_MM * rotation[:, :, axis] for axis in range(2)]
    slopes = [
        np.log(light.at(pixel, tangent, pupil_mm=pupil_mm + step))
        - np.log(light.at(pixel, tangent, pupil_mm=pupil_mm - step))
        for step in steps
    ]
    return np.stack(slopes, axis=-1) / (2.0 * _LIGHT_STEP_MM)


def _own_field(grid: Grid) -> tuple[FieldSet, FloatArray]:
    """Return the fit of a grid, and its pupils (n, 3): poses found where the positions show them."""
    sizes = _panel_sizes(grid)
    try:
        fields, poses = fit_free_poses(grid, panel_size_px=sizes, family="polynomial")
        return fields, poses.moved(grid).pupil_mm
    except FitError:
        return fit_grid(grid, panel_size_px=sizes, family="polynomial"), grid.pupil_mm


def _own_light(grid: Grid, through: Through) -> LuminanceMaps | None:
    """Return maps of the grid's luminance; None where it has none.

    A camera that is turned sees a dot at another place of its sensor, where its lens may let less light
    through: those shots say nothing where there are enough others.
    """
    if grid.luminance is None:
        return None
    straight: BoolArray = through.rotation[:, 2, 2] > 1.0 - 1e-9
    if len(np.unique(np.round(grid.pupil_mm[straight], 6), axis=0)) >= _LEAST_STRAIGHT:
        grid = grid.take(np.flatnonzero(straight))
    maps: dict[tuple[str, str], Light] = {}
    sizes = _panel_sizes(grid)
    for channel, colour in grid.pairs():
        part = grid.select(channel=channel, colour=colour)
        try:
            found = fit_luminance(part, panel_sizes_px={channel: sizes[channel]})
        except FitError:
            continue
        maps[channel, colour] = found.map(channel, colour)
    return LuminanceMaps(maps) if maps else None


def disc_rule() -> tuple[FloatArray, FloatArray]:
    """Return points (k, 2) of the unit disc and shares (k,) whose sum is the mean over the disc.

    Two rings by Gauss and Legendre in the squared radius, eight points each: exact to degree 7 (common
    practice).
    """
    node, share = np.polynomial.legendre.leggauss(_RINGS)
    radius = np.sqrt(0.5 * (node + 1.0))
    angle = (np.arange(_SPOKES) + 0.5) * 2.0 * np.pi / _SPOKES
    point = radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return point.reshape(-1, 2), np.repeat(0.5 * share, _SPOKES) / _SPOKES


def _panel_sizes(grid: Grid) -> dict[str, tuple[int, int]]:
    """Return a panel for each channel that its dots lie in the middle of: only what is between them
    counts.
    """
    sizes = {}
    for code, name in enumerate(grid.channel_names):
        pixel = grid.pixel[grid.channel == code]
        width, height = np.ceil(pixel.min(axis=0) + pixel.max(axis=0)).astype(int)
        sizes[name] = (max(int(width), 16), max(int(height), 16))
    return sizes
