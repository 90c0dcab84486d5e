"""Luminance maps: how bright a channel's colour is at full drive, for every panel point and pupil position.

`log T(u, v, x0, y0) = sum_ij P_i(u, v) c_ij Q_j(x0, y0)`, so T is positive everywhere. (x0, y0) is where the
ray crosses the plane z = 0: luminance along a ray does not change in air, so captures at any depth join one
map (the same holds for directions). Luminance is relative: its unit is that of the grid's
column, the same for all channels.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pixel, as_pupil, as_tangent, nearest_name
from prewarp.errors import FitError
from prewarp.field.lit import LitRegion
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.frames import reference_pupil
from prewarp.photometry.certainty import LightCertainty, light_certainty
from prewarp.photometry.samples import LightSamples

# How far beyond the captured pupil positions a map is followed, as a share of their half range; further out
# it stays.
PUPIL_MARGIN = 1.25


@dataclass(frozen=True)
class LuminanceFigures:
    """What the fit of one map found.

    `samples` in all, `outlier_rows` (rows of the grid left out as wrong), `beyond_edge` samples past the
    vignetting edge, `residual_rms_percent` of the samples used, `cross_validated_rms_percent` at pupil
    positions left out of the fit.
    """

    samples: int
    beyond_edge: int
    outlier_rows: tuple[int, ...]
    panel_degree: int
    pupil_degree: int
    residual_rms_percent: float
    cross_validated_rms_percent: float

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        return {**vars(self), "outlier_rows": list(self.outlier_rows)}


@dataclass(frozen=True)
class LuminanceMap:
    """The map of one channel and colour.

    Parameters
    ----------
    channel, colour : str
        Names.
    panel : ChebyshevPanel
        Panel basis P.
    frame : PupilFrame
        Normalisation of the pupil plane for Q.
    pupil_degree : int
        Total degree of Q.
    coefficients : (panel functions, pupil functions) float array
        c, of the logarithm of luminance.
    edge : LitRegion or None
        Where light ends; None where every sample is lit.
    figures : LuminanceFigures
        What the fit found.
    samples : LightSamples, optional
        The lit ones without outliers, from which `certainty` follows.
    """

    channel: str
    colour: str
    panel: ChebyshevPanel
    frame: PupilFrame
    pupil_degree: int
    coefficients: FloatArray
    edge: LitRegion | None
    figures: LuminanceFigures
    samples: LightSamples | None = None

    @cached_property
    def certainty(self) -> LightCertainty:
        """What the samples leave open of the map; worked out when it is first asked for."""
        if self.samples is None:
            raise FitError(
                f"channel '{self.channel}', {self.colour}: the map was stored without its samples, so "
                "its uncertainty is not known. Fit it again."
            )
        u, v, x, y = self.samples.place
        level = self._log_light(u, v, *(np.clip(one, -PUPIL_MARGIN, PUPIL_MARGIN) for one in (x, y)))
        return light_certainty(
            self.samples, np.exp(level), panel_degree=self.panel.degree, pupil_degree=self.pupil_degree
        )

    def log_errors(
        self,
        pixel: ArrayLike,
        tangent: ArrayLike,
        /,
        *,
        pupil_mm: ArrayLike,
        draws: int,
        random: np.random.Generator,
    ) -> FloatArray:
        """Return draws (draws, ...) of log(true luminance / map) as the samples allow; arguments as in `at`.

        The draws of all points belong together. NaN where the samples leave it open altogether (pupil
        positions on a line).
        """
        pixel, tangent, pupil = as_pixel(pixel), as_tangent(tangent), as_pupil(pupil_mm)
        log_map = np.log(self.at(pixel, tangent, pupil_mm=pupil))
        shape = log_map.shape
        pixel, tangent = (np.broadcast_to(one, (*shape, 2)).reshape(-1, 2) for one in (pixel, tangent))
        x, y = self.frame.normalised(
            reference_pupil(tangent, np.broadcast_to(pupil, (*shape, 3)).reshape(-1, 3))
        )
        u, v = self.panel.normalised(pixel)
        place = np.stack([np.clip(u, -1.0, 1.0), np.clip(v, -1.0, 1.0), x, y])
        log_light = self.certainty.log_light(place, draws=draws, random=random)
        return log_light.reshape(draws, *shape) - log_map

    def at(self, pixel: ArrayLike, tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return the luminance at full drive, shape (...), always above 0.

        Parameters
        ----------
        pixel : (..., 2) float array
            Panel point (u, v), px; points off the panel take the value at its edge.
        tangent : (..., 2) float array
            Direction in which that point is seen, tangents.
        pupil_mm : (..., 3) float array
            Pupil position, mm. Leading axes of all three broadcast.

        Notes
        -----
        The smooth map goes on past the vignetting edge, where the truth falls to nothing: ask `lit` as well.
        """
        u, v, x, y, shape = self._normalised(pixel, tangent, pupil_mm)
        return np.asarray(np.exp(self._log_light(u, v, x, y)).reshape(shape))

    def _log_light(self, u: FloatArray, v: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the logarithm of luminance (n,) at normalised places."""
        half = np.array(self.panel.size_px) / 2.0
        on_panel = np.stack([(u + 1.0) * half[0], (v + 1.0) * half[1]], axis=-1)
        reference = np.stack(
            [x * s + c for x, s, c in zip((x, y), self.frame.half_mm, self.frame.centre_mm, strict=True)],
            axis=-1,
        )
        inner = self.coefficients.T @ self.panel.values(on_panel)
        return np.asarray(np.einsum("jn,jn->n", inner, self.frame.values(reference, self.pupil_degree)))

    def lit(self, pixel: ArrayLike, tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> BoolArray:
        """Return which points are inside the vignetting edge, shape (...); arguments as in `at`."""
        return self.edge_depth(pixel, tangent, pupil_mm=pupil_mm) > 0.0

    def edge_depth(self, pixel: ArrayLike, tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return a smooth function, above 0 inside the vignetting edge, shape (...); arguments as in `at`."""
        u, v, x, y, shape = self._normalised(pixel, tangent, pupil_mm)
        if self.edge is None:
            return np.ones(shape)
        return self.edge.values(np.stack([u, v, x, y], axis=-1)).reshape(shape)

    def _normalised(
        self, pixel: ArrayLike, tangent: ArrayLike, pupil_mm: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, tuple[int, ...]]:
        pixel, tangent, pupil = as_pixel(pixel), as_tangent(tangent), as_pupil(pupil_mm)
        shape = np.broadcast_shapes(pixel.shape[:-1], tangent.shape[:-1], pupil.shape[:-1])
        pixel, tangent = (np.broadcast_to(a, (*shape, 2)).reshape(-1, 2) for a in (pixel, tangent))
        pupil = np.broadcast_to(pupil, (*shape, 3)).reshape(-1, 3)
        u, v = self.panel.normalised(pixel)
        x, y = self.frame.normalised(reference_pupil(tangent, pupil))
        u, v = np.clip(u, -1.0, 1.0), np.clip(v, -1.0, 1.0)
        x, y = (np.clip(value, -PUPIL_MARGIN, PUPIL_MARGIN) for value in (x, y))
        return u, v, x, y, shape


@dataclass(frozen=True)
class ScaledLuminance:
    """A luminance map times a factor: in another unit, or as one colour's share of white."""

    own: "LuminanceMap | ScaledLuminance"
    factor: float

    @property
    def figures(self) -> LuminanceFigures:
        """What the fit of the map found."""
        return self.own.figures

    def at(self, pixel: ArrayLike, tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return the luminance at full drive, shape (...); arguments as of `LuminanceMap.at`."""
        return self.factor * self.own.at(pixel, tangent, pupil_mm=pupil_mm)

    def log_errors(
        self,
        pixel: ArrayLike,
        tangent: ArrayLike,
        /,
        *,
        pupil_mm: ArrayLike,
        draws: int,
        random: np.random.Generator,
    ) -> FloatArray:
        """Return draws of log(true luminance / map); see `LuminanceMap.log_errors`."""
        return self.own.log_errors(pixel, tangent, pupil_mm=pupil_mm, draws=draws, random=random)


@dataclass(frozen=True)
class LuminanceMaps:
    """The maps of a display by (channel, colour)."""

    maps: Mapping[tuple[str, str], LuminanceMap | ScaledLuminance]

    def __repr__(self) -> str:
        found = [one.figures.cross_validated_rms_percent for one in self.maps.values()]
        worst = f": cross-validated {max(found):.2g} % RMS at worst" if found else ""
        return f"<LuminanceMaps of {', '.join(self.channels)} in {', '.join(self.colours)}{worst}>"

    @property
    def channels(self) -> tuple[str, ...]:
        """Channel names, in the order of the grid."""
        return tuple(dict.fromkeys(channel for channel, _ in self.maps))

    @property
    def colours(self) -> tuple[str, ...]:
        """Colour names, in the order of the grid."""
        return tuple(dict.fromkeys(colour for _, colour in self.maps))

    def scaled(self, factors: Mapping[tuple[str, str], float], /) -> "LuminanceMaps":
        """Return the maps of (channel, colour) in `factors`, each times its factor."""
        return LuminanceMaps(
            {key: ScaledLuminance(self.map(*key), factor) for key, factor in factors.items()}
        )

    def shares(self, white: Mapping[str, float], /) -> "LuminanceMaps":
        """Return the maps as shares of a luminance by colour; colours without one are left out."""
        return self.scaled({key: 1.0 / white[key[1]] for key in self.maps if key[1] in white})

    def map(self, channel: str, colour: str, /) -> LuminanceMap | ScaledLuminance:
        """Return one map; `FitError` names the nearest when it is missing."""
        try:
            return self.maps[channel, colour]
        except KeyError:
            have = [f"{one}/{other}" for one, other in self.maps]
            raise FitError(
                f"no luminance map for channel '{channel}', colour '{colour}'; there are {', '.join(have)}."
                + nearest_name(f"{channel}/{colour}", have)
            ) from None
