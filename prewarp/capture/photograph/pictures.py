"""Drawing any panel picture: each pixel of the photograph has the mean light of the panel area that it sees.

The map from pixels to panel points is a spline through a lattice of pixels. A pixel's area on the panel is
taken for a box of the same middle and the same width along u and v, whose light comes from running sums over
the panel: even light stays even, and edges land where they are. Blur, and the spread over the aperture, are
even over the photograph here, and coma is left out; dots are drawn more exactly (`dots`).
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from prewarp.capture.photograph.bench import Bench, Ghost
from prewarp.capture.photograph.dots import shaken
from prewarp.capture.photograph.images import View, aperture_rule
from prewarp.capture.photograph.optics import Optics
from prewarp.checks import BoolArray, FloatArray
from prewarp.lattice import SplineLattice, fill_outward, spline_through

# Distance of lattice nodes, px of the photograph.
_STEP_PX = 16.0
_RULE = 1
# Clearance beyond this is as good as any, and splines keep calm.
_FAR = 50.0
_REACH = 5.5
# Lines of the photograph that are worked on together.
_BAND = 256


@dataclass(frozen=True)
class PanelMap:
    """Where pixels look on the panel.

    `spline`: over pixels, components u, v (panel px, mean over the aperture), light relative to white,
    clearance of the aperture's middle (`optics.Seen`), and by how much that differs at the aperture's rim.
    `spread_px`: spread of a panel point's light by the aperture, standard deviation, px of the photograph.
    """

    spline: SplineLattice
    spread_px: float


def panel_map(optics: Optics, view: View, /) -> PanelMap | None:
    """Return where the pixels of a view look; None where no pixel sees the panel's plane."""
    x, y = (_STEP_PX * (np.arange(int(np.ceil(n / _STEP_PX)) + 3) - 1.0) for n in view.camera.size_px)
    pixel = np.stack(np.meshgrid(x, y), axis=-1)
    radius = (view.camera.aperture_mm or 0.0) / 2.0
    place, share = aperture_rule(_RULE)
    offset = radius * place[:, None, None] * np.ones_like(pixel)
    with np.errstate(invalid="ignore"):
        tangent = view.tangent(pixel, offset)
        seen = optics.seen(view.outward(tangent), view.crossing_mm(tangent, offset))
    known: BoolArray = np.all(np.isfinite(seen.pixel[..., 0]) & (seen.clearance > -np.inf), axis=0)
    if not known.any():
        return None
    clearance = np.clip(np.where(known, seen.clearance, -_FAR), -_FAR, _FAR)
    # Along a straight edge the clearance is linear over the aperture: its slope from the rule's points.
    slope = 4.0 * np.einsum("k,kij,ka->ija", share, clearance, place)
    point = np.einsum("k,kija->ija", share, np.where(known[..., None], seen.pixel, 0.0))
    parts = (
        fill_outward(point, known),
        fill_outward(np.einsum("k,kij->ij", share, seen.light)[..., None], known),
        np.einsum("k,kij->ij", share, clearance)[..., None],
        np.hypot(slope[..., 0], slope[..., 1])[..., None],
    )
    spline = spline_through(
        np.concatenate(parts, axis=-1), origin=np.array([x[0], y[0]]), step=np.array([_STEP_PX, _STEP_PX])
    )
    pixels = np.where(known[..., None], seen.pixel, 0.0)
    footprint = 4.0 * np.einsum("k,kiju,ka->ijua", share, pixels, place)
    return PanelMap(spline, _spread(parts[0], footprint, known & (parts[2][..., 0] > 0.0)))


def _spread(point: FloatArray, footprint: FloatArray, lit: BoolArray) -> float:
    """Return how far the aperture spreads light, px: the median over `lit` nodes (rows, columns)."""
    along_y, along_x = np.gradient(point, _STEP_PX, axis=(0, 1))
    slopes = np.stack([along_x, along_y], axis=-1)[lit]
    turns = np.abs(np.linalg.det(slopes)) > 1e-12
    if not turns.any():
        return 0.0
    across = np.linalg.solve(slopes[turns], footprint[lit][turns])
    return float(np.sqrt(np.median(np.sum(across**2, axis=(1, 2))) / 8.0))


def band_px(size_px: tuple[int, int], bench: Bench, /) -> int:
    """Return how many pixels of a photograph are worked on together; the spread by the aperture left out."""
    blurs = [bench.blur_px, *(float(np.hypot(bench.blur_px, one.blur_px)) for one in bench.ghosts)]
    rim = int(np.ceil(_REACH * max(blurs))) + 1
    return (min(_BAND, size_px[1]) + 2 * rim) * (size_px[0] + 2 * rim)


def add_picture(
    picture: FloatArray,
    mapped: PanelMap,
    view: View,
    bench: Bench,
    panel_light: FloatArray,
    exposure: float,
    /,
    *,
    channel: str,
    drift_px: FloatArray,
    samples: int = 1,
) -> None:
    """Add a panel picture and its ghosts to a photograph (height, width), in place.

    Parameters
    ----------
    picture : (height, width) float array
        Light summed over each pixel, in full scales.
    mapped : PanelMap
        Where the pixels look.
    view, bench
        Vignetting; blur, shake and ghosts.
    panel_light : (rows, columns) float array
        Light of each panel pixel relative to white; what is hidden is dark.
    exposure : float
        Full scales that the white panel gives a pixel, through an open aperture.
    channel : str
        The channel's name, for its ghosts.
    drift_px : (2,) float array
        How far the photograph is moved.
    samples : int
        Samples across a pixel, before it is blurred: 1 will do where light changes slowly.
    """
    height, width = picture.shape
    sums = np.zeros((panel_light.shape[0] + 1, panel_light.shape[1] + 1))
    sums[1:, 1:] = panel_light.cumsum(axis=0).cumsum(axis=1)
    blurred: list[tuple[Ghost | None, float, float]] = [
        (None, 1.0, float(np.hypot(bench.blur_px, mapped.spread_px)))
    ]
    for one in bench.ghosts_of(channel):
        blurred.append((one, one.strength, float(np.hypot(blurred[0][2], one.blur_px))))
    rim = int(np.ceil(_REACH * max(blur for _, _, blur in blurred))) + 1
    for top in range(0, height, _BAND):
        bottom = min(top + _BAND, height)
        cells = _band(mapped, bench, (top - rim, bottom + rim), (-rim, width + rim), drift_px, samples)
        light = np.zeros((bottom - top, width))
        for ghost, strength, blur in blurred:
            light += strength * _blurred(cells, sums, ghost, blur, rim, samples)
        y, x = np.mgrid[top:bottom, :width] + 0.5
        picture[top:bottom] += exposure * light * view.kept(np.stack([x, y], axis=-1) - drift_px)


def _band(
    mapped: PanelMap,
    bench: Bench,
    rows: tuple[int, int],
    columns: tuple[int, int],
    drift_px: FloatArray,
    samples: int,
) -> list[tuple[float, FloatArray, FloatArray, FloatArray]]:
    """Return, for each part of a shake, its share and what the samples of some rows and columns see."""
    x, y = (np.arange((high - low) * samples + 1) / samples + low for low, high in (columns, rows))
    return [
        (
            float(share),
            *_cells(mapped.spline.on_lattice(x - drift_px[0] - shift[0], y - drift_px[1] - shift[1])),
        )
        for shift, share in zip(*shaken(bench), strict=True)
    ]


def _blurred(
    cells: list[tuple[float, FloatArray, FloatArray, FloatArray]],
    sums: FloatArray,
    ghost: Ghost | None,
    blur: float,
    rim: int,
    samples: int,
) -> FloatArray:
    size = (sums.shape[1] - 1, sums.shape[0] - 1)
    total = np.zeros(cells[0][2].shape)
    for share, middle, light, half in cells:
        place = middle if ghost is None else ghost.source(middle, size)
        reach = half if ghost is None else half / abs(ghost.scale)
        total += share * light * _box_mean(sums, place, reach)
    total = gaussian_filter(total, blur * samples, mode="nearest", truncate=_REACH)
    rows, columns = len(total) // samples, total[0].size // samples
    found: FloatArray = total.reshape(rows, samples, columns, samples).mean(axis=(1, 3))
    return found[rim:-rim, rim:-rim]


def _cells(corner: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return middles (h, w, 2), light (h, w) and half widths (h, w, 2) on the panel, from pixels' corners."""
    east, south = corner[:, 1:] - corner[:, :-1], corner[1:] - corner[:-1]
    along_x, along_y = 0.5 * (east[1:] + east[:-1]), 0.5 * (south[:, 1:] + south[:, :-1])
    mean = 0.25 * (corner[1:, 1:] + corner[:-1, 1:] + corner[1:, :-1] + corner[:-1, :-1])
    half = 0.5 * np.sqrt(along_x[..., :2] ** 2 + along_y[..., :2] ** 2)
    # An edge cuts the aperture, and the pixel's own width, over this clearance on either side.
    soft = np.hypot(mean[..., 4], 0.5 * np.hypot(along_x[..., 3], along_y[..., 3]))
    cut = np.clip(mean[..., 3] / np.maximum(soft, 1e-9), -1.0, 1.0)
    # Share of a disc on one side of a chord at this part of its radius from the middle.
    share = 0.5 + (np.arcsin(cut) + cut * np.sqrt(1.0 - cut * cut)) / np.pi
    return mean[..., :2], mean[..., 2] * share, half


def _box_mean(sums: FloatArray, middle: FloatArray, half: FloatArray) -> FloatArray:
    """Return the mean over boxes (h, w) on the panel, from running sums (rows + 1, columns + 1)."""
    u0, u1 = middle[..., 0] - half[..., 0], middle[..., 0] + half[..., 0]
    v0, v1 = middle[..., 1] - half[..., 1], middle[..., 1] + half[..., 1]
    columns, rows = _weights(u0, u1, sums.shape[1]), _weights(v0, v1, sums.shape[0])
    flat, wide = sums.ravel(), sums.shape[1]
    total = np.zeros(u0.shape)
    for row, down in rows:
        start = row * wide
        for column, right in columns:
            total += down * right * flat[start + column]
    area: FloatArray = np.maximum(4.0 * half[..., 0] * half[..., 1], 1e-12)
    # Differences of sums round to less than nothing where it is dark.
    return np.maximum(total, 0.0) / area


def _weights(low: FloatArray, high: FloatArray, count: int) -> list[tuple[np.ndarray, FloatArray]]:
    """Return places in a running sum of `count` and their weights: sum up to `high` less that up to `low`."""
    parts = []
    for place, sign in ((high, 1.0), (low, -1.0)):
        place = np.clip(place, 0.0, count - 1.0)
        index = np.minimum(place.astype(np.intp), count - 2)
        part = place - index
        parts += [(index, sign * (1.0 - part)), (index + 1, sign * part)]
    return parts
