"""Claims, borders and gains of an eye as a device holds them.

Claims are the seam's own whole numbers. Borders are those of `prewarp.seam.light`: of the captured part of
the panel, and of what is lit, drawn in as far as white is. Gains are polynomials of the ray, so they follow
the pupil.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from prewarp.chebyshev import chebyshev_terms, count_of_degree, nodes_1d, values_2d
from prewarp.checks import FloatArray, IntArray
from prewarp.errors import PackageError
from prewarp.field.border import distance_inside
from prewarp.lookup.coding import CodedArray, Format, coded, scale_for
from prewarp.lookup.measure import pupil_lattice
from prewarp.lookup.pupil import region_exponents
from prewarp.lookup.tables import (
    MAX_BORDER_POINTS,
    MAX_GAIN_DEGREE,
    MAX_PUPIL_DEGREE,
    BorderTable,
    ClaimTable,
    GainTable,
    RegionTable,
    float32_array,
)
from prewarp.seam import Seam
from prewarp.seam.blend import LEAST_CLAIM, SHOWN_MARGIN_SPACINGS

if TYPE_CHECKING:
    from prewarp.field import Field
    from prewarp.field.lit import LitRegion

# Straight lines between points of a border keep within so much of it.
BORDER_ERROR_DEG = 1e-3
_MOST_PIECES = 64
BORDER_CODES = 65535
# Gains are fitted to so much of themselves, by as low a degree as will do.
GAIN_ERROR = 5e-4
# How far degrees over panel and pupil are raised for that: more take bytes and gain little.
_MORE_DEGREES = (4, 2)
# Where the border of what is lit is fitted again: nodes each way of the panel and of the pupil plane; weights
# fall off over so many dot spacings from it.
_REGION_NODES, _REGION_PUPILS, _REGION_SPACINGS = 41, 5, 0.5


def claim_table(seam: Seam, channels: tuple[str, ...], /) -> ClaimTable:
    """Return the claims of a seam, channels in the order given."""
    claims = seam.claims
    codes = claims.codes[[seam.index(name) for name in channels]].astype(np.int64)
    block = CodedArray(Format.INT16, codes.ravel(), float(np.float32(claims.scale)))
    rows, columns = codes.shape[1:]
    least = float(np.float32(LEAST_CLAIM))
    return ClaimTable(columns, rows, float32_array(claims.origin_deg), claims.pitch_deg, least, block)


def border_tables(fields: Sequence["Field"], /, *, box_mm: FloatArray) -> list[BorderTable]:
    """Return the borders of what the colours of one channel may show, `box_mm` (2, 3) the eye box.

    Colours that end at the same line of the panel share its points, of which there are as many as straight
    lines between them need, from the eye box's corners.

    Raises
    ------
    PackageError
        A border takes more points than a blob holds.
    """
    tables, pieces = [], [_pieces(one, pupil_lattice(box_mm, (2, 2, 2))) for one in fields]
    for own in fields:
        alike = [
            needed
            for one, needed in zip(fields, pieces, strict=True)
            if np.array_equal(one.border_pixel, own.border_pixel)
        ]
        block = _border_block(own, np.max(alike, axis=0))
        middle = float32_array(np.mean(own.border_pixel, axis=0))
        tables.append(BorderTable(middle, block, tuple(_region(own, one) for one in own.lit)))
    return tables


def _border_block(field: "Field", pieces: IntArray) -> CodedArray:
    corners = np.asarray(field.border_pixel, dtype=float)
    points = [
        start + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (end - start)
        for start, end, count in zip(corners, np.roll(corners, -1, axis=0), pieces, strict=True)
    ]
    codes = np.clip(np.rint(np.concatenate(points) / field.panel_size_px * BORDER_CODES), 0, BORDER_CODES)
    if len(codes) > MAX_BORDER_POINTS:
        raise PackageError(
            f"channel '{field.channel}': its border takes {len(codes)} points; a blob holds "
            f"{MAX_BORDER_POINTS}. Capture the panel with samples up to a plainer outline.",
            channel=field.channel,
        )
    return CodedArray(Format.UINT16, codes.astype(np.int64).ravel(), 1.0)


def _pieces(field: "Field", pupils: FloatArray) -> IntArray:
    """Return in how many pieces each side must be cut (sides,): the bow of a line falls with their square."""
    start = np.asarray(field.border_pixel, dtype=float)
    share = np.linspace(0.0, 1.0, 9)[:, None]
    points = start[:, None] + share * (np.roll(start, -1, axis=0) - start)[:, None]
    seen = field.forward_from_all(points.reshape(-1, 2), pupils_mm=pupils)
    seen = seen.reshape(len(pupils), *points.shape)
    along = seen[..., -1:, :] - seen[..., :1, :]
    beside = seen - seen[..., :1, :]
    away = np.abs(along[..., 0] * beside[..., 1] - along[..., 1] * beside[..., 0])
    bows = away / np.maximum(np.linalg.norm(along, axis=-1), 1e-12)
    # What has no direction bends nothing.
    bow = np.fmax.reduce(bows, axis=(0, 2), initial=0.0)
    needed = np.clip(np.ceil(np.sqrt(np.degrees(bow) / BORDER_ERROR_DEG)), 1, _MOST_PIECES)
    return np.asarray(needed, dtype=np.int64)


def _region(field: "Field", lit: "LitRegion") -> RegionTable:
    """Return what is lit, drawn in by as much as white is, as a polynomial in the eye's frame."""
    degree = int(lit.exponents.sum(axis=1).max())
    pupil_degree = int(lit.exponents[:, 2:].sum(axis=1).max())
    centre, half = float32_array(lit.frame.centre_mm), float32_array(lit.frame.half_mm)
    size = np.asarray(field.panel_size_px, dtype=float)
    panel, plane = nodes_1d(_REGION_NODES), nodes_1d(_REGION_PUPILS)
    place = np.stack(np.meshgrid(panel, panel, plane, plane, indexing="ij"), axis=-1).reshape(-1, 4)
    pixel = 0.5 * (place[:, :2] + 1.0) * size
    pupil = np.concatenate([centre + half * place[:, 2:], np.zeros((len(place), 1))], axis=1)
    reference = field.reference_mm(pixel, pupil_mm=pupil)
    # Past the border of what was captured nothing is asked.
    within = distance_inside(pixel, np.asarray(field.border_pixel, dtype=float)) > -lit.spacing_px
    good = within & np.isfinite(reference).all(axis=1)
    depth = np.full(len(place), np.nan)
    depth[good] = lit.depth_px(pixel[good], reference[good])
    value = np.full(len(place), np.nan)
    value[good] = lit.values_at(pixel[good], reference[good])
    # The length of the slope on the panel: value over depth, which is cut far away and 0 / 0 at the border.
    steep = lit.slopes_at(pixel[good], reference[good])
    margin = SHOWN_MARGIN_SPACINGS * max(one.spacing_px for one in field.lit)
    wanted = value[good] - margin * steep
    weight = 1.0 / (1.0 + (depth[good] / (_REGION_SPACINGS * lit.spacing_px)) ** 2) / np.maximum(steep, 1e-12)
    exponents = region_exponents(degree, pupil_degree)
    terms = chebyshev_terms(place[good], exponents)
    numbers, *_ = np.linalg.lstsq(terms * weight[:, None], wanted * weight, rcond=1e-10)
    # Its sign alone counts.
    shape = np.asarray(numbers / np.abs(numbers).max(), dtype=np.float64)
    block = coded(shape, Format.INT16, scale_for(shape, Format.INT16))
    return RegionTable(degree, pupil_degree, centre, half, block)


def gain_table(
    gain: Callable[[FloatArray, FloatArray, FloatArray], FloatArray],
    field: "Field",
    /,
    *,
    channel: int,
    colour: int,
    box_mm: FloatArray,
    degrees: tuple[int, int] = (2, 2),
    followed_mm: FloatArray | None = None,
    max_error: float = GAIN_ERROR,
) -> GainTable:
    """Return the gain of a channel and colour as a polynomial of the ray.

    Parameters
    ----------
    gain : callable
        (pixel (n, 2), tangent (n, 2), pupil_mm (3,)) to gains (n,), above 0: `LightMatch.gain`, say.
    field : Field
        For the directions in which panel points are seen.
    channel, colour : int
        Places in the lookup.
    box_mm : (2, 3) float array
        Eye box.
    degrees : (int, int)
        Degrees over panel and pupil that are tried first.
    followed_mm : (2, 2) float array, optional
        Lowest and highest place in the plane z = 0 to which the gain follows a polynomial; beyond it stays.
    max_error : float
        Error wanted, as a share of the gain; what is reached is told.
    """
    low, high = _crossed(field, box_mm)
    if followed_mm is not None:
        low, high = np.maximum(low, followed_mm[0]), np.minimum(high, followed_mm[1])
    centre, half = float32_array(0.5 * (low + high)), float32_array(np.maximum(0.5 * (high - low), 0.01))
    size = np.asarray(field.panel_size_px, dtype=float)

    def sampled(panel: FloatArray, plane: FloatArray) -> tuple[FloatArray, FloatArray]:
        place = np.stack(np.meshgrid(panel, panel), axis=-1).reshape(-1, 2)
        u, v = (0.5 * (panel + 1.0) * length for length in size)
        pixel = 0.5 * (place + 1.0) * size
        places, logs = [], []
        for x, y in np.stack(np.meshgrid(plane, plane), axis=-1).reshape(-1, 2):
            pupil = np.array([*(centre + half * [x, y]), 0.0])
            tangent = field.forward_lattice(u, v, pupil_mm=pupil).reshape(-1, 2)
            known = np.isfinite(tangent).all(axis=1)
            logs.append(np.log(gain(pixel[known], tangent[known], pupil)))
            places.append(np.concatenate([place[known], np.tile([x, y], (int(known.sum()), 1))], axis=1))
        return np.concatenate(places), np.concatenate(logs)

    most = np.minimum(np.add(degrees, _MORE_DEGREES), [MAX_GAIN_DEGREE, MAX_PUPIL_DEGREE])
    held, held_wanted = sampled(np.linspace(-1.0, 1.0, 12), np.linspace(-1.0, 1.0, 4))
    best: GainTable | None = None
    panel_degree, pupil_degree = degrees
    while best is None or (best.error > max_error and panel_degree <= most[0]):
        place, wanted = sampled(nodes_1d(panel_degree + 4), nodes_1d(pupil_degree + 3))
        terms = _gain_terms(place, panel_degree, pupil_degree)
        solved, *_ = np.linalg.lstsq(terms, wanted, rcond=None)
        numbers = np.asarray(solved, dtype=np.float64)
        block = coded(numbers, Format.INT16, scale_for(numbers, Format.INT16))
        found = _gain_terms(held, panel_degree, pupil_degree) @ block.values()
        error = float(np.max(np.abs(np.expm1(found - held_wanted))))
        if best is None or error < best.error:
            best = GainTable(channel, colour, panel_degree, pupil_degree, centre, half, block, error)
        panel_degree, pupil_degree = panel_degree + 1, min(pupil_degree + 1, int(most[1]))
    return best


def _gain_terms(place: FloatArray, panel_degree: int, pupil_degree: int) -> FloatArray:
    panel = values_2d(place[:, 0], place[:, 1], panel_degree)
    pupil = values_2d(place[:, 2], place[:, 3], pupil_degree)
    count = count_of_degree(panel_degree) * count_of_degree(pupil_degree)
    return np.asarray((panel[:, None] * pupil[None]).reshape(count, -1).T)


def _crossed(field: "Field", box_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest place (2,), mm, where rays into the eye box cross the plane z = 0."""
    size = np.asarray(field.panel_size_px, dtype=float)
    share = np.stack(np.meshgrid(*[np.linspace(0.0, 1.0, 5)] * 2), axis=-1).reshape(-1, 2)
    places = []
    for pupil in pupil_lattice(box_mm, (2, 2, 2)):
        tangent = field.forward(share * size, pupil_mm=pupil)
        places.append(pupil[:2] - pupil[2] * tangent)
    every = np.concatenate(places)
    return np.nanmin(every, axis=0), np.nanmax(every, axis=0)
