"""By how much the mean over the camera's pupil is off the chief ray, by the field and the light of a grid.

A centroid is the mean over the light that comes through the aperture. The field says where the ray through
each of its points goes; the luminance of the grid, how much light comes that way: a panel point that gives
more light to one side of the aperture is seen from there. A ray that crosses the pupil at a lands where one
of direction t + a D / 1000 through its middle does, D the distance in dioptres that the camera is focused on:
what light that differs over the aperture does is r^2/4 grad(log L) times the defocus, and nothing in focus.
Where D is not stated, the blur of dots shows it (`blur_focus`).
"""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.camera import turned_by
from prewarp.capture.extract.blur_focus import Blur, focus_by_blur
from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import FitError
from prewarp.field import Field, FieldSet, fit_grid
from prewarp.frames import ARCMIN_PER_RADIAN, MM_PER_M
from prewarp.grids import Grid
from prewarp.photometry.fit import fit_luminance
from prewarp.photometry.luminance import LuminanceMap, LuminanceMaps, ScaledLuminance
from prewarp.poses import fit_free_poses

_RINGS, _SPOKES = 2, 8
# From fewer positions of a camera that looks straight ahead turned ones are asked as well for their light.
_LEAST_STRAIGHT = 6
_LIGHT_STEP_MM = 0.05
# A focus is known where its standard uncertainty is below this.
_SURE_DIOPTRES = 0.1
_USUAL_ERROR_DIOPTRES = 0.1
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
    blur : Blur, optional
        Of the rows, by which a focus that is not known is found.
    """

    diameter_mm: FloatArray
    walk_mm: FloatArray
    rotation: FloatArray
    focus_dioptres: FloatArray
    blur: Blur | None = None

    def rows(self, rows: np.ndarray, /) -> "Through":
        """Return those of some rows."""
        parts = (self.diameter_mm, self.walk_mm, self.rotation, self.focus_dioptres)
        blur = None if self.blur is None else self.blur.rows(rows)
        diameter_mm, walk_mm, rotation, focus = (one[rows] for one in parts)
        return Through(diameter_mm, walk_mm, rotation, focus, blur)


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
    bend = np.full((len(grid), 2, 2), np.nan)
    for channel, colour in grid.pairs():
        rows = np.flatnonzero(grid.rows_of(channel, colour))
        field = fields.field(channel, colour)
        own = None if light is None or (channel, colour) not in light.maps else light.map(channel, colour)
        place = grid.pixel[rows], pupil_mm[rows]
        mean[rows], heavy[rows], bend[rows] = _means(field, own, *place, through.rows(rows))
    focus, words = np.zeros(len(grid)), "; light is taken as even over that pupil: needs luminance"
    if light is not None:
        focus, words = _focus(grid, through, bend, heavy)
    seen = turned_by(mean + heavy * (focus / MM_PER_M)[:, None], through.rotation)
    chief = np.zeros_like(grid.tangent)
    for channel, colour in grid.pairs():
        rows = np.flatnonzero(grid.rows_of(channel, colour))
        chief[rows] = fields.field(channel, colour).forward(grid.pixel[rows], pupil_mm=pupil_mm[rows])
    moved = chief - seen
    return np.where(np.isfinite(moved), moved, 0.0), words


def _focus(grid: Grid, through: Through, bend: FloatArray, heavy: FloatArray) -> tuple[FloatArray, str]:
    """Return what the camera is focused on (n,), and what to say of it.

    As stated, else by the blur of dots where it is sure, else the mean distance of the images. `bend`
    (n, 2, 2): how directions change over the aperture; `heavy` (n, 2): where its light has its middle, mm.
    A focus that is wrong leaves what uneven light does, not what bends of the field do.
    """
    focus = through.focus_dioptres.copy()
    if np.all(np.isfinite(focus)):
        return focus, ""
    words = ""
    lever = float(np.sqrt(np.nanmean(np.sum(heavy**2, axis=1)))) / MM_PER_M * ARCMIN_PER_RADIAN
    if through.blur is not None:
        cameras = through.blur.camera
        for camera in np.unique(cameras[np.isnan(focus)]):
            own = cameras == camera
            found = focus_by_blur(*_of_one_colour(grid, through.blur, through, bend, own))
            if found is not None and found.sigma < _SURE_DIOPTRES:
                focus[own & np.isnan(focus)] = found.dioptres
                words += (
                    f"; by the blur of dots the camera is focused on {found.dioptres:.3f} +- "
                    f"{found.sigma:.3f} dioptres (1-sigma; {lever * found.sigma:.4f} arcmin RMS)"
                )
    if np.all(np.isfinite(focus)):
        return focus, words
    # The slope over the pupil is less the dioptres.
    dioptres = -MM_PER_M * np.trace(bend, axis1=1, axis2=2) / 2.0
    taken = float(np.nanmean(dioptres)) if np.any(np.isfinite(dioptres)) else 0.0
    words += (
        f"; the camera is taken as focused on the mean of the images, {taken:.2f} dioptres (not known: needs "
        f"focus_dioptres in the camera file; {_USUAL_ERROR_DIOPTRES:g} dioptres off leave "
        f"{lever * _USUAL_ERROR_DIOPTRES:.4f} arcmin RMS)"
    )
    return np.where(np.isfinite(focus), focus, taken), words


def _of_one_colour(
    grid: Grid, blur: Blur, through: Through, bend: FloatArray, own: BoolArray
) -> tuple[Blur, FloatArray, FloatArray]:
    """Return blur, bends and radii of the colour with most rows: lenses focus colours differently."""
    colours, counts = np.unique(grid.colour[own], return_counts=True)
    rows = np.flatnonzero(own & (grid.colour == colours[np.argmax(counts)]))
    return blur.rows(rows), bend[rows], 0.5 * through.diameter_mm[rows]


def _means(
    field: Field, light: Light | None, pixel: FloatArray, pupil_mm: FloatArray, through: Through
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mean direction (n, 2) over the light in the aperture, tangents of the camera's frame; where
    in it that light has its middle, (n, 2) mm; and how that direction changes over it, (n, 2, 2) per mm.
    """
    place, weight = disc_rule()
    back = through.rotation.transpose(0, 2, 1)
    radius = 0.5 * through.diameter_mm[:, None]
    slope = np.zeros_like(pixel)
    if light is not None:
        slope = _light_slope(
            light, pixel, field.forward(pixel, pupil_mm=pupil_mm), pupil_mm, through.rotation
        )
    mean, apart = np.zeros_like(pixel), np.zeros((len(pixel), 2, 2))
    for point, share in zip(place, weight, strict=True):
        off = radius * point
        ahead = np.concatenate([off, through.walk_mm[:, None]], axis=1)
        at = pupil_mm + np.einsum("nij,nj->ni", through.rotation, ahead)
        own = turned_by(field.forward(pixel, pupil_mm=at), back)
        mean += share * (1.0 + np.sum(slope * off, axis=1, keepdims=True)) * own
        apart += share * own[:, :, None] * off[:, None, :]
    # Over the disc x^2 has the mean r^2/4.
    bend = apart / np.where(radius > 0.0, 0.25 * radius**2, np.nan)[..., None]
    return mean, 0.25 * radius**2 * slope, bend


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
