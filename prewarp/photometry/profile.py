"""Luminance across a seam, read off a picture of what the eye sees: relative step and ripple.

Lines run from one channel's middle toward the other's and beside it. The picture is averaged over a small
window first, about as far as the eye averages a dithered pattern of the panels' pixels. What is judged is
luminance over target, so a target that falls off gently is no step.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import map_coordinates, uniform_filter

from prewarp.checks import FloatArray, require_range
from prewarp.content import ContentProjection
from prewarp.errors import SeamError, ShapeError
from prewarp.seam.blend import Seam
from prewarp.seam.directions import plane_deg_from_tangent, tangent_from_plane_deg

STEP_DEG = 0.05
WINDOW_DEG = 0.1
LINES = 9
# Width of the strips beside the hand-over whose mean is a side's level, and how far past them a line goes,
# degrees.
SIDE_DEG = 1.0
_LEAST_SHARE = 4e-3
# Lines keep this far from the ends of the seam, as a share of its length.
_END_SHARE = 0.1
# Pitch at which the ends of the seam are looked for, degrees.
_SEARCH_STEP_DEG = 0.5


@dataclass(frozen=True)
class ProfileDraws:
    """Relative step and ripple of the worst line, (draws,), percent, for luminances that the samples allow.

    Not numbers where the samples leave them open altogether.
    """

    step_percent: FloatArray
    ripple_percent: FloatArray

    @property
    def known(self) -> bool:
        """Whether the samples say anything of the error."""
        return bool(np.isfinite(self.step_percent).all())

    @property
    def expected_step_percent(self) -> float:
        """Mean over the draws."""
        return float(self.step_percent.mean())

    def bound_percent(self, values: FloatArray, /, share: float = 0.95) -> float:
        """Return what so large a share of draws (draws,) stays under."""
        return float(np.quantile(values, share))


@dataclass(frozen=True)
class SeamProfile:
    """Luminance along lines across the seam of two channels.

    Parameters
    ----------
    channels : (str, str)
        From the first to the second.
    along_deg : (n,) float array
        Place along the lines, degrees; 0 is half-way between the channels' middles.
    beside_deg : (k,) float array
        How far each line lies to the left of the line through both middles, seen along it, degrees.
    luminance : (k, n) float array
        As seen, averaged over the window; NaN beyond the picture.
    target : (k, n) float array
        What should be seen.
    hand_over_deg : (k, 2) float array
        Where each line enters and leaves the part in which both channels give light.
    draws : ProfileDraws, optional
        What the maps with which the light was worked out leave open (`with_map_error`).
    """

    channels: tuple[str, str]
    along_deg: FloatArray
    beside_deg: FloatArray
    luminance: FloatArray
    target: FloatArray
    hand_over_deg: FloatArray
    draws: ProfileDraws | None = None

    @property
    def expected_step_percent(self) -> float:
        """Step of the worst line, with the error of the luminance maps in it where that is known."""
        return float(self.step_percent.max()) if self.draws is None else self.draws.expected_step_percent

    @property
    def levels(self) -> FloatArray:
        """Mean of luminance over target beside the hand-over, (k, 2): first channel's side, second's."""
        ratio = self.luminance / self.target
        start, end = self.hand_over_deg[:, :1], self.hand_over_deg[:, 1:]
        sides = (
            (self.along_deg >= start - SIDE_DEG) & (self.along_deg <= start),
            (self.along_deg >= end) & (self.along_deg <= end + SIDE_DEG),
        )
        return np.stack(
            [np.sum(np.where(side, ratio, 0.0), axis=1) / side.sum(axis=1) for side in sides], axis=1
        )

    @property
    def step_percent(self) -> FloatArray:
        """Relative step (k,): difference of the two sides' levels over their mean, percent, unsigned."""
        levels = self.levels
        return np.asarray(100.0 * np.abs(levels[:, 1] - levels[:, 0]) / levels.mean(axis=1))

    @property
    def ripple_percent(self) -> FloatArray:
        """Largest deviation (k,), percent, from the straight line between the sides' levels."""
        levels = self.levels
        start, end = self.hand_over_deg[:, :1], self.hand_over_deg[:, 1:]
        share = np.clip((self.along_deg - start) / (end - start), 0.0, 1.0)
        line = levels[:, :1] + share * (levels[:, 1:] - levels[:, :1])
        near = (self.along_deg >= start - SIDE_DEG) & (self.along_deg <= end + SIDE_DEG)
        deviation = np.abs(self.luminance / self.target / line - 1.0)
        return np.asarray(100.0 * np.max(np.where(near, deviation, 0.0), axis=1))

    def as_dict(self) -> dict[str, Any]:
        """Return the figures of the worst line for machines; None stands for what is not known.

        `step_percent` is what to expect with the maps' error in it, `step_bound95_percent` what it stays
        under with 95 % probability, `step_by_map_percent` what it were if the maps were right. Relative:
        differences over means.
        """
        draws = self.draws
        known = draws is not None and draws.known
        return {
            "channels": list(self.channels),
            "lines": len(self.beside_deg),
            "window_deg": WINDOW_DEG,
            "step_percent": self.expected_step_percent if draws is None or known else None,
            "step_bound95_percent": draws.bound_percent(draws.step_percent) if draws and known else None,
            "step_by_map_percent": float(self.step_percent.max()),
            "ripple_percent": float(self.ripple_percent.max()),
            "ripple_bound95_percent": draws.bound_percent(draws.ripple_percent) if draws and known else None,
        }


def seam_profile(
    luminance: FloatArray,
    view: ContentProjection,
    seam: Seam,
    /,
    *,
    channels: tuple[str, str] | None = None,
    target: ArrayLike | None = None,
    lines: int = LINES,
    window_deg: float = WINDOW_DEG,
) -> SeamProfile:
    """Read the luminance across the seam of two channels off a picture of what the eye sees.

    Parameters
    ----------
    luminance : (height, width) float array
        Linear luminance of the perceived view of an even content; row 0 is the top.
    view : ContentProjection
        How the picture lies on directions.
    seam : Seam
        For the tracked pupil.
    channels : (str, str), optional
        Which two; the first two of the seam if not given.
    target : (height, width) float array, optional
        Luminance that should be seen; even if not given.
    lines : int
        How many lines, evenly spread over the seam's length.
    window_deg : float
        Side of the square over which the picture is averaged, degrees.

    Raises
    ------
    ShapeError
        A picture's shape is not the view's.
    SeamError
        The channels share no light, or the seam or its sides are not in the picture.
    """
    width, height = view.size_px
    even = np.ones((height, width)) if target is None else np.asarray(target, dtype=float)
    luminance = np.asarray(luminance, dtype=float)
    for name, picture in (("luminance", luminance), ("target", even)):
        if picture.shape != (height, width):
            raise ShapeError(
                f"{name} has shape {picture.shape}; expected {(height, width)}, as the view has."
            )
    require_range(lines, "lines", 1, 1000)
    require_range(window_deg, "window_deg", 1e-3, 10.0, unit="degrees")
    pair = channels or seam.channels[:2]
    if len(pair) != 2:
        raise SeamError(
            f"channels are {', '.join(pair)}; a seam joins two. With one channel there is no seam to read; "
            "of more, name two."
        )
    along, beside, plane = _lines_across(seam, pair, lines)
    tangent = tangent_from_plane_deg(plane)
    pixel = view.pixel_from_tangent(tangent)
    side_px = max(round(window_deg * np.radians(1.0) * view.focal_px) | 1, 1)
    read = [
        _read(uniform_filter(picture, side_px, mode="nearest"), pixel, side_px)
        for picture in (luminance, even)
    ]
    shares = seam.weights(tangent)[[seam.index(name) for name in pair]]
    both = np.all(shares > _LEAST_SHARE, axis=0)
    hand_over = np.stack(
        [along[np.argmax(both, axis=1)], along[len(along) - 1 - np.argmax(both[:, ::-1], axis=1)]], 1
    )
    near = (along >= hand_over[:, :1] - SIDE_DEG) & (along <= hand_over[:, 1:] + SIDE_DEG)
    if np.any(near & ~np.isfinite(read[0])):
        raise SeamError("part of the seam is outside the view. Ask for a wider view.")
    return SeamProfile((pair[0], pair[1]), along, beside, read[0], read[1], hand_over)


def line_tangents(seam: Seam, profile: SeamProfile, /) -> FloatArray:
    """Return the directions (k, n, 2), tangents, of a profile's lines."""
    middle, forward, side, _ = _axes(seam, profile.channels)
    return tangent_from_plane_deg(
        middle + profile.along_deg[None, :, None] * forward + profile.beside_deg[:, None, None] * side
    )


def _axes(seam: Seam, pair: Sequence[str]) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return half-way between two channels' middles, the way between them, left of it, and its length."""
    start, end = (plane_deg_from_tangent(seam.reaches[seam.index(name)].middle) for name in pair)
    length = float(np.linalg.norm(end - start))
    forward = (end - start) / max(length, 1e-9)
    return 0.5 * (start + end), forward, np.array([-forward[1], forward[0]]), length


def _lines_across(seam: Seam, pair: Sequence[str], lines: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places along (n,) and beside (k,), degrees, and points of the plane (k, n, 2)."""
    middle, forward, side, length = _axes(seam, pair)
    half = 0.5 * length + 0.5 * seam.feather_deg
    along = np.arange(-np.ceil(half / STEP_DEG), np.ceil(half / STEP_DEG) + 1) * STEP_DEG
    candidates = np.arange(-60.0, 60.0, _SEARCH_STEP_DEG)
    coarse = along[:: int(_SEARCH_STEP_DEG / STEP_DEG)]
    plane = middle + coarse[None, :, None] * forward + candidates[:, None, None] * side
    served = seam.served(tangent_from_plane_deg(plane))[[seam.index(name) for name in pair]]
    met = candidates[np.any(np.all(served, axis=0), axis=1)]
    if met.size == 0:
        raise SeamError(f"channels '{pair[0]}' and '{pair[1]}' share no direction; no seam can be read.")
    trim = _END_SHARE * (met[-1] - met[0])
    beside = np.linspace(met[0] + trim, met[-1] - trim, lines) if lines > 1 else met[[len(met) // 2]]
    return along, beside, middle + along[None, :, None] * forward + beside[:, None, None] * side


def _read(picture: FloatArray, pixel: FloatArray, side_px: int) -> FloatArray:
    """Return a picture at points (..., 2), px; NaN where the window would leave it."""
    height, width = picture.shape
    value = map_coordinates(picture, [pixel[..., 1] - 0.5, pixel[..., 0] - 0.5], order=1, mode="nearest")
    margin = side_px / 2.0
    inside = np.all((pixel >= margin) & (pixel <= np.array([width, height]) - margin), axis=-1)
    return np.where(inside, value, np.nan)
