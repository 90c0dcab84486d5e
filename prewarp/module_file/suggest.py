"""A module file suggested by a distortion grid: what the grid tells, and examples of what it does not."""

import math
import re

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import ModuleError
from prewarp.frames import degrees_from_tangent
from prewarp.grids import Grid
from prewarp.module import EYES, EyeBox
from prewarp.module_file.start import PANEL_PX, SIZE_STEP_PX, NewChannel, NewModule, made_module

# Samples of a shot beyond these shares are left out of extents: wrong points must not size a display.
_OUTER = 0.005
# Reach is rounded inward to this, content grows outward by it, degrees.
_REACH_STEP_DEG, _CONTENT_MARGIN_DEG = 0.5, 1.0
_LONGEST_TIP = 1.25
_NOT_TOLD = "panel width and height, pitch_um, encoding, bit_depth, wavelength_nm"


def suggest_module(
    grid: Grid,
    /,
    *,
    eyes: tuple[str, ...] = (),
    panel_px: tuple[int, int] | None = None,
    name: str = "new display",
) -> NewModule:
    """Return a module whose names, reach, eye box, content and mirrored are those of a grid.

    Parameters
    ----------
    grid : Grid
        The capture or trace.
    eyes : tuple of str
        One eye: that of all channels. Both, or left out: by "left" and "right" in the channels' names.
    panel_px : (int, int), optional
        Width and height of every panel, px; left out: an example that holds all samples.
    name : str
        What the display is called.

    Raises
    ------
    ModuleError
        A channel has too few samples, its name tells no eye where both are asked for, or a name cannot stand
        in a module file; or samples lie off the panel that is given.

    Notes
    -----
    Reach is the extent of directions at the pupil position nearest the eye-box centre, rounded inward; the
    eye box is as large as what was captured. Content is as fine as the finest panel is on average: the square
    root of the determinant of the best affine map from tangents to panel px.
    """
    grid = grid.take(grid.finite)
    whose = _eyes(grid.channel_names, eyes)
    size, samples_reach = _panel(grid, panel_px)
    channels, finest = [], 0.0
    for code, channel in enumerate(grid.channel_names):
        own = np.flatnonzero(grid.channel == code)
        middle = _middle(grid, own)
        scale, mirrored = _affine(grid.tangent[middle], grid.pixel[middle], channel, grid.source)
        x, y = (_inward(ends) for ends in _extent(degrees_from_tangent(grid.tangent[middle])))
        channels.append(NewChannel(channel, whose[channel], x, y, size, mirrored))
        finest = max(finest, scale)
    widest = _widest(grid) + _CONTENT_MARGIN_DEG
    half = [math.ceil(float(most) * 1000.0) / 1000.0 for most in np.abs(grid.pupil_mm).max(axis=0)]
    head = (
        f"Suggested by {grid.source.rsplit('/', 1)[-1]}: names, eye box, content, reach, mirrored.",
        f"A grid does not tell these, which are examples: {_NOT_TOLD}. Overwrite them.",
    )
    first = f"channel.{grid.channel_names[0]}"
    remarks = {
        f"{first}.panel.width_px": f"samples reach u = {samples_reach[0]:.0f}",
        f"{first}.panel.height_px": f"samples reach v = {samples_reach[1]:.0f}",
    }
    try:
        return made_module(
            channels,
            grid.colour_names,
            EyeBox(*half),
            name=name,
            head=head,
            focal_px=finest,
            widest_deg=(float(widest[0]), float(widest[1])),
            remarks=remarks,
        )
    except ModuleError as cause:
        raise ModuleError(f"{grid.source}: cannot be described: {cause}", path=grid.source) from cause


def _eyes(names: tuple[str, ...], eyes: tuple[str, ...]) -> dict[str, str]:
    """Return the eye of each channel."""
    if len(eyes) == 1:
        return dict.fromkeys(names, eyes[0])
    told = {name: next((eye for eye in EYES if eye in re.split("[_-]", name.lower())), "") for name in names}
    if all(told.values()) and (eyes or set(told.values()) == set(EYES)):
        return told
    if eyes:
        silent = next(name for name, eye in told.items() if not eye)
        raise ModuleError(
            f"channel '{silent}' does not tell its eye; expected 'left' or 'right' in every name, such as "
            f"'left_{silent}', where a grid holds both eyes. Rename it in the grid, or say --eyes right.",
            key=silent,
        )
    return dict.fromkeys(names, "right")


def _panel(grid: Grid, given: tuple[int, int] | None) -> tuple[tuple[int, int], FloatArray]:
    """Return the size of panels, px, and how far samples reach along u and v."""
    reach = np.quantile(grid.pixel, 1.0 - _OUTER, axis=0)
    if given is not None:
        if np.any(reach > given):
            raise ModuleError(
                f"{grid.source}: samples reach u = {reach[0]:.0f}, v = {reach[1]:.0f} px, off a panel of "
                f"{given[0]} x {given[1]}; expected the panel that was captured. Correct --panel.",
                path=grid.source,
            )
        return given, reach
    width, height = (
        max(usual, SIZE_STEP_PX * math.ceil(most / SIZE_STEP_PX))
        for usual, most in zip(PANEL_PX, reach.tolist(), strict=True)
    )
    return (width, height), reach


def _middle(grid: Grid, own: np.ndarray) -> np.ndarray:
    """Return those of the rows `own` at the pupil nearest the eye-box centre, in one colour."""
    distance = np.linalg.norm(grid.pupil_mm[own], axis=1)
    near = own[distance <= distance.min() + 1e-9]
    wanted = grid.colour[near] == grid.colour_names.index(grid.reference_colour)
    chosen: np.ndarray = near[wanted] if wanted.any() else near
    return chosen


def _extent(degrees: FloatArray) -> FloatArray:
    """Return the ends (2, 2) of directions along x and along y, single far points left out."""
    ends: FloatArray = np.quantile(degrees, (_OUTER, 1.0 - _OUTER), axis=0).T
    return ends


def _widest(grid: Grid) -> FloatArray:
    """Return the largest |direction| (2,) along x and y that any pupil position sees, degrees."""
    shots = np.unique(np.column_stack([grid.channel, grid.pupil_mm]), axis=0, return_inverse=True)[1].ravel()
    order = np.argsort(shots, kind="stable")
    starts = np.flatnonzero(np.diff(shots[order])) + 1
    degrees = degrees_from_tangent(grid.tangent)
    ends = [_extent(degrees[rows]) for rows in np.split(order, starts)]
    most = np.abs(np.array(ends)).max(axis=(0, 2))
    # Corners of a bent panel are tips of few samples; what lies further out than tips do is a wrong point.
    widest: FloatArray = np.minimum(np.abs(degrees).max(axis=0), _LONGEST_TIP * most)
    return widest


def _inward(ends: FloatArray) -> tuple[float, float]:
    low = math.ceil(float(ends[0]) / _REACH_STEP_DEG) * _REACH_STEP_DEG
    high = math.floor(float(ends[1]) / _REACH_STEP_DEG) * _REACH_STEP_DEG
    return (low, high) if low < high else (round(float(ends[0]), 3), round(float(ends[1]), 3))


def _affine(tangent: FloatArray, pixel: FloatArray, channel: str, source: str) -> tuple[float, bool]:
    """Return panel px per unit tangent, on average, and whether the picture is a mirror image."""
    terms = np.column_stack([np.ones(len(tangent)), tangent])
    if len(tangent) < 3 or np.linalg.matrix_rank(terms) < 3:
        raise ModuleError(
            f"{source}: channel '{channel}' has {len(tangent)} samples at the pupil position nearest the "
            "eye-box centre, fewer than three or on one line; its fineness cannot be told. Capture more.",
            path=source,
        )
    slopes = np.linalg.lstsq(terms, pixel, rcond=None)[0][1:]
    determinant = float(slopes[0, 0] * slopes[1, 1] - slopes[0, 1] * slopes[1, 0])
    # u runs right and v down where nothing is mirrored, so the determinant is negative there.
    return math.sqrt(abs(determinant)), determinant > 0.0
