"""What target pictures hold, as codes of one panel: discs, shifted sines, even light; and where light lies.

Pictures are made in linear light and rounded to the panel's codes through its own encoding.
"""

from collections.abc import Sequence

import numpy as np

from prewarp.capture.panel_png import Codes
from prewarp.checks import FloatArray
from prewarp.encoding import Quantiser, largest_code
from prewarp.errors import CaptureError
from prewarp.module import Panel

PLANES = ("R", "G", "B")
# Columns into which a pixel is cut for the share of it that a disc covers: exact along the other axis.
_CUTS = 64
# Mirror images of a pixel's share may differ by rounding, and must not fall on two codes.
_SHARE_DIGITS = 9
SINE_MEAN, SINE_SWING = 0.5, 0.45


def planes_of(colours: Sequence[str], /) -> dict[str, tuple[int, ...]]:
    """Return the planes of a picture (0 red, 1 green, 2 blue) that each colour lights.

    R, G and B light their own; the one colour of a panel that has one lights all three.

    Raises
    ------
    CaptureError
        Several colours, one of which is none of R, G, B.
    """
    if len(colours) == 1:
        name = colours[0]
        return {name: (PLANES.index(name),) if name in PLANES else (0, 1, 2)}
    other = [name for name in colours if name not in PLANES]
    if other:
        raise CaptureError(
            f"colour '{other[0]}' is none of {', '.join(PLANES)}: which plane of a picture lights it is not "
            "known. Rename the module's colours, or describe it with one colour."
        )
    return {name: (PLANES.index(name),) for name in colours}


def blank(panel: Panel, /) -> Codes:
    """Return a black panel, (height, width), codes."""
    return np.zeros((panel.height_px, panel.width_px), np.uint8 if panel.bit_depth <= 8 else np.uint16)


def disc_codes(panel: Panel, places: FloatArray, radii: FloatArray, /) -> Codes:
    """Return a picture of discs at full light on black, (height, width), codes.

    Parameters
    ----------
    panel : Panel
    places : (n, 2) float array
        Centres u, v, px, such that every disc lies on the panel.
    radii : (n,) float array
        px. A pixel's light is the share of it that a disc covers.
    """
    codes = blank(panel)
    quantiser = Quantiser(panel.transfer, panel.bit_depth)
    stamps: dict[tuple[float, float, float], Codes] = {}
    for (u, v), radius in zip(places.tolist(), radii.tolist(), strict=True):
        left, top = int(np.floor(u - radius)), int(np.floor(v - radius))
        key = (u - left, v - top, radius)
        if key not in stamps:
            stamps[key] = quantiser.code_from_linear(disc_shares(*key).astype(np.float32))
        stamp = stamps[key]
        area = codes[top : top + stamp.shape[0], left : left + stamp.shape[1]]
        np.maximum(area, stamp[: area.shape[0], : area.shape[1]], out=area)
    return codes


def disc_shares(u: float, v: float, radius: float, /) -> FloatArray:
    """Return the share of each pixel that a disc about (u, v) covers, from pixel (0, 0) on, (rows, columns).

    Integrated exactly along v, by the midpoint rule in 64 columns a pixel along u.
    """
    columns, rows = int(np.ceil(u + radius)), int(np.ceil(v + radius))
    across = (np.arange(columns * _CUTS) + 0.5) / _CUTS - u
    half = np.sqrt(np.maximum(radius**2 - across**2, 0.0))
    edges = np.arange(rows + 1)[:, None] - v
    inside = np.clip(edges, -half, half)
    share = np.diff(inside, axis=0).reshape(rows, columns, _CUTS).mean(axis=2)
    result: FloatArray = np.round(share, _SHARE_DIGITS)
    return result


def light_centroids(panel: Panel, codes: Codes, places: FloatArray, radii: FloatArray, /) -> FloatArray:
    """Return the centroid of the light of each disc of a picture, above the panel's black, (n, 2), px.

    Light is what the panel's encoding makes of the codes as they are written.
    """
    light = panel.transfer.linear_of_codes(panel.bit_depth)
    light = light - light[0]
    found = np.empty_like(places)
    for index, ((u, v), radius) in enumerate(zip(places.tolist(), radii.tolist(), strict=True)):
        left, top = max(int(np.floor(u - radius)) - 1, 0), max(int(np.floor(v - radius)) - 1, 0)
        part = light[codes[top : int(np.ceil(v + radius)) + 1, left : int(np.ceil(u + radius)) + 1]]
        total = part.sum()
        found[index] = (
            left + (part.sum(axis=0) @ (np.arange(part.shape[1]) + 0.5)) / total,
            top + (part.sum(axis=1) @ (np.arange(part.shape[0]) + 0.5)) / total,
        )
    return found


def even_codes(panel: Panel, code: int, /) -> Codes:
    """Return a picture of one code, (height, width)."""
    codes = blank(panel)
    codes[:] = code
    return codes


def ramp_levels(panel: Panel, steps: int, /) -> list[int]:
    """Return `steps` codes evenly spread from 0 to the highest, as an encoding's table has them."""
    return [round(one * largest_code(panel.bit_depth) / (steps - 1)) for one in range(steps)]


def sine_codes(panel: Panel, axis: int, period_px: float, turn: float, /) -> Codes:
    """Return stripes whose light is 0.5 + 0.45 cos(2 pi (place / period - turn)), (height, width), codes.

    `axis` 0: the place is u, 1: it is v, both at pixel centres, px. `turn`: the shift, in periods.
    """
    length = panel.size_px[axis]
    place = (np.arange(length) + 0.5) / period_px - turn
    light = SINE_MEAN + SINE_SWING * np.cos(2.0 * np.pi * place)
    line = Quantiser(panel.transfer, panel.bit_depth).code_from_linear(light.astype(np.float32))
    codes = blank(panel)
    codes[:] = line[None, :] if axis == 0 else line[:, None]
    return codes


def coprime_periods(length_px: int, /) -> tuple[int, int]:
    """Return two periods, px, without a common divisor whose product is at least `length_px`.

    The two phases together then name one place on the panel; 32 px at least, so that a camera sees them.
    """
    shorter = max(32, int(np.ceil(np.sqrt(length_px))))
    return shorter, shorter + 1


def in_planes(codes: Codes, planes: tuple[int, ...], /) -> Codes:
    """Return a picture (height, width, 3) that shows `codes` in some planes and black in the others."""
    picture = np.zeros((*codes.shape, 3), dtype=codes.dtype)
    for plane in planes:
        picture[..., plane] = codes
    return picture
