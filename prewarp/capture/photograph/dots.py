"""Drawing dots: each is a set of points of light, blurred by a Gaussian and summed over every pixel exactly.

Sums over pixels are differences of the normal distribution along x and y, so light is kept to rounding and
the centroid is that of the points (but for what pixels do to a Gaussian as narrow as a third of one).
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from prewarp.capture.photograph.bench import Bench
from prewarp.capture.photograph.images import PointImages, View, aperture_rule
from prewarp.checks import FloatArray, IntArray

# Where a Gaussian is cut off, in standard deviations: 4e-8 of its light lie beyond, and are kept inside.
_REACH = 5.5
# Numbers that are worked on together: small enough for a processor's cache.
_BATCH = 400_000
# Below this part of the blur the spread over the aperture only widens it.
_SMALL_SPREAD = 0.35
_FINEST_RULE = 6
# Share and place of the parts of a comatic spot, from its head to the end of its tail.
_COMA = ((0.7, 0.0), (0.2, 0.5), (0.1, 1.0))


@dataclass(frozen=True)
class Spots:
    """How points are blurred: `offset_px` (n, k, 2) and `share` (k,) of the parts of each point's spot, each
    a Gaussian of `sigma_px` (n,). Offsets have mean 0.
    """

    offset_px: FloatArray
    share: FloatArray
    sigma_px: FloatArray


def spots_of(
    images: PointImages, view: View, bench: Bench, /, *, square_px: float, extra_blur_px: float = 0.0
) -> Spots:
    """Return how points of light near panel points are blurred.

    `square_px`: side of the square of the panel that each point stands for, panel px; it widens the blur.
    """
    count = len(images.pixel)
    sigma, spread = _blur_and_spread(images, view, bench, square_px, extra_blur_px)
    parts: list[tuple[FloatArray, FloatArray]] = []
    fineness = int(_fineness(sigma, spread).max(initial=0))
    if fineness:
        place, share = aperture_rule(fineness)
        radius = (view.camera.aperture_mm or 0.0) / 2.0
        parts.append((radius * np.einsum("nij,kj->nki", images.footprint, place), share))
    else:
        sigma = np.hypot(sigma, spread)
    if bench.coma_px > 0.0:
        off = images.pixel - np.array(view.camera.centre_px)
        tail = bench.coma_px * off / (0.5 * np.hypot(*view.camera.size_px))
        shares, places = np.array(_COMA).T
        parts.append((tail[:, None] * (places - shares @ places)[:, None], shares))
    path, share = shaken(bench)
    parts.append((np.broadcast_to(path, (count, *path.shape)), share))
    offset, share = np.zeros((count, 1, 2)), np.ones(1)
    for step, part in parts:
        offset = (offset[:, :, None] + step[:, None]).reshape(count, -1, 2)
        share = (share[:, None] * part).ravel()
    return Spots(offset, share, sigma)


@dataclass(frozen=True)
class SpotGroup:
    """Points of light that need equally many parts: their `rows` (m,) among all, and how they are blurred."""

    rows: IntArray
    spots: Spots


def spot_groups(
    images: PointImages, view: View, bench: Bench, /, *, square_px: float, extra_blur_px: float = 0.0
) -> list[SpotGroup]:
    """Return how points are blurred as `spots_of` does, each with as many parts as it needs itself: over a
    field some points are in focus, and some are not.
    """
    need = _fineness(*_blur_and_spread(images, view, bench, square_px, extra_blur_px))
    rows = [np.flatnonzero(need == one) for one in np.unique(need)]
    return [
        SpotGroup(
            own,
            spots_of(images.rows(own), view, bench, square_px=square_px, extra_blur_px=extra_blur_px),
        )
        for own in rows
    ]


def _blur_and_spread(
    images: PointImages, view: View, bench: Bench, square_px: float, extra_blur_px: float
) -> tuple[FloatArray, FloatArray]:
    """Return the blur in focus, and the spread over the aperture, (n,), standard deviations, px."""
    variance = bench.blur_px**2 + extra_blur_px**2 + np.zeros(len(images.pixel))
    variance += square_px**2 * np.sum(images.slopes**2, axis=(1, 2)) / 24.0
    radius = (view.camera.aperture_mm or 0.0) / 2.0
    # Per axis the spread over a disc is a quarter of the squared radius.
    return np.sqrt(variance), radius * np.sqrt(np.sum(images.footprint**2, axis=(1, 2)) / 8.0)


def _fineness(sigma: FloatArray, spread: FloatArray) -> IntArray:
    """Return the fineness (n,) of the rule over the aperture; 0 where it only widens the blur."""
    ratio = spread / sigma
    fine = np.minimum(np.ceil(1.2 * ratio), _FINEST_RULE)
    return np.where(ratio > _SMALL_SPREAD, fine, 0.0).astype(np.int64)


def shaken(bench: Bench, /) -> tuple[FloatArray, FloatArray]:
    """Return places (k, 2), px, where a point is seen while the camera shakes, and its share (k,) there."""
    length = float(np.hypot(*bench.shake_px))
    node, weight = np.polynomial.legendre.leggauss(int(np.ceil(length / bench.blur_px)) + 1)
    return 0.5 * node[:, None] * np.array(bench.shake_px), weight / 2.0


@dataclass(frozen=True)
class Patch:
    """The light of one dot: `light` (rows, columns), its top-left pixel `top`, `left` in the photograph."""

    top: int
    left: int
    light: FloatArray


def dot_patches(position: FloatArray, light: FloatArray, spots: Spots, /) -> list[Patch | None]:
    """Return the light of dots, summed over each pixel; None for a dot without any.

    Parameters
    ----------
    position : (n, q, 2) float array
        Points of light of each dot, px of the photograph.
    light : (n, q) float array
        Light of each point; those without any cost nothing.
    spots : Spots
        How the dots' points are blurred.
    """
    found: list[Patch | None] = [None] * len(light)
    parts = len(spots.share)
    lit = np.flatnonzero(np.any(light != 0.0, axis=1))
    if len(lit) == 0:
        return found
    # Dots of like size together: a batch is as wide as its widest.
    order = lit[np.argsort(_extent(position[lit], light[lit]), kind="stable")]
    points = position.shape[1] * parts
    step = max(1, _BATCH // (points * 24))
    for first in range(0, len(order), step):
        dots = order[first : first + step]
        x, y = (
            (position[dots, :, axis][:, :, None] + spots.offset_px[dots, :, axis][:, None]).reshape(
                len(dots), points
            )
            for axis in (0, 1)
        )
        shining = light[dots][:, :, None] * spots.share
        patches = _batch(x, y, shining.reshape(len(dots), points), spots.sigma_px[dots])
        for dot, patch in zip(dots.tolist(), patches, strict=True):
            found[dot] = patch
    return found


def add_patches(picture: FloatArray, patches: Iterable[Patch | None], share: float, /) -> None:
    """Add patches times `share` to a picture (height, width), in place; what lies beside it is dropped."""
    height, width = picture.shape
    for one in patches:
        if one is not None:
            x, y = max(-one.left, 0), max(-one.top, 0)
            part = one.light[y : max(height - one.top, 0), x : max(width - one.left, 0)]
            top, left = one.top + y, one.left + x
            picture[top : top + part.shape[0], left : left + part.shape[1]] += share * part


def _extent(position: FloatArray, light: FloatArray) -> FloatArray:
    shown = np.where((light != 0.0)[..., None], position, np.nan)
    extent: FloatArray = np.max(np.nanmax(shown, axis=1) - np.nanmin(shown, axis=1), axis=-1)
    return extent


def _batch(x: FloatArray, y: FloatArray, light: FloatArray, sigma: FloatArray) -> list[Patch]:
    """Return the patches of dots whose points (n, q) lie at x, y, an axis apart."""
    dark = light == 0.0
    lit = np.argmax(~dark, axis=1)[:, None]
    reach = _REACH * sigma
    shares, low = [], []
    for place in (x, y):
        # Points without light go to the first lit one, so that they widen nothing.
        place = np.where(dark, np.take_along_axis(place, lit, axis=1), place)
        start = np.floor(place.min(axis=1) - reach).astype(np.int64)
        size = int((np.ceil(place.max(axis=1) + reach).astype(np.int64) - start).max())
        shares.append(_shares(place - start[:, None], sigma, size))
        low.append(start.tolist())
    along_x, along_y = shares
    along_x *= light[:, None]
    drawn = np.matmul(along_y, along_x.transpose(0, 2, 1))
    return [Patch(top, left, patch) for left, top, patch in zip(*low, drawn, strict=True)]


def _shares(place: FloatArray, sigma: FloatArray, size: int) -> FloatArray:
    """Return which share of Gaussians at `place` (n, q) each of `size` pixels from 0 holds, (n, size, q).

    Pixel by pixel of the window about each, over all Gaussians: far quicker than along short rows.
    """
    count, points = place.shape
    window = min(int(np.ceil(2.0 * _REACH * sigma.max())) + 1, size)
    first = np.clip(np.floor(place - _REACH * sigma[:, None]).astype(np.int64), 0, size - window)
    # Where the window's first pixel lies in the result.
    target = (np.arange(count)[:, None] * size + first) * points + np.arange(points)
    found = np.zeros(count * size * points)
    below, edge = np.zeros(place.shape), first.astype(float)
    for step in range(1, window + 1):
        edge += 1.0
        # The last holds what lies beyond, as the first does.
        after = ndtr((edge - place) / sigma[:, None]) if step < window else np.ones(place.shape)
        found[target] = after - below
        target += points
        below = after
    return found.reshape(count, size, points)
