"""How a camera's own light falls off with the field angle: as of an ideal lens, or as it was measured.

Of even light an ideal lens with a pupil of one size gives a pixel cos^4 of the field angle (radiometry's
cosine fourth law: common practice), if its picture is not distorted. A pixel that sees less of the field by a
stretch of the picture gets less in proportion. Vignetting and pupils that grow with the angle are known only
by measurement: `falloff = [a1, a2, ...]`, light relative to the axis 1 + a1 r^2 + a2 r^4 + ..., r the tangent
of the field angle.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.records import Number, Numbers

IDEAL = "cos4"
MOST_COEFFICIENTS = 4
_COEFFICIENTS = Numbers(Number(-1e4, 1e4), 1, MOST_COEFFICIENTS)


@dataclass(frozen=True)
class Falloff:
    """The word "cos4", or coefficients a1, a2, ... of even powers of the tangent of the field angle."""

    @property
    def expected(self) -> str:
        """What is accepted, to follow the word "expected"."""
        return f"'{IDEAL}' (an ideal lens), or {_COEFFICIENTS.expected}"

    def accept(self, value: object, /) -> tuple[Any, str]:
        """Return the word or a tuple of numbers and "", or None and the reason."""
        if isinstance(value, str):
            return (value, "") if value == IDEAL else (None, " (not known)")
        return _COEFFICIENTS.accept(value)


def ideal_share(tangent: FloatArray, stretch: FloatArray, /) -> FloatArray:
    """Return light (...) relative to the axis: cos^4 of the field angle over the stretch of the picture.

    Parameters
    ----------
    tangent : (..., 2) array
        Directions in the camera's own frame.
    stretch : (...) array
        Area of the picture by that of the undistorted one there.
    """
    share: FloatArray = 1.0 / (1.0 + np.sum(tangent * tangent, axis=-1)) ** 2 / stretch
    return share


def measured_share(tangent: FloatArray, coefficients: tuple[float, ...], /) -> FloatArray:
    """Return light (...) relative to the axis by coefficients of r^2, r^4, ...; directions (..., 2)."""
    squared = np.sum(tangent * tangent, axis=-1)
    share: FloatArray = np.polynomial.polynomial.polyval(squared, (1.0, *coefficients))
    return share


def falloff_words(known: Iterable[str | tuple[float, ...] | None], /) -> str:
    """Return in words what was done about the light of cameras with these `falloff` entries."""
    ways = [None if one is None else IDEAL if one == IDEAL else "measured" for one in known]
    words = {
        None: "luminance still includes the camera's own fall of light to its corners: needs falloff in the "
        "camera file",
        IDEAL: "the camera's fall of light was taken out of luminance as that of an ideal lens, cos^4 of the "
        "field angle over the stretch of its distortion: an assumption, not a measurement",
        "measured": "the camera's fall of light was taken out of luminance by the measured falloff of the "
        "camera file",
    }
    return "; ".join(words[way] for way in dict.fromkeys(ways)) + "."
