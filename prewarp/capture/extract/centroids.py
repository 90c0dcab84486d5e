"""Where dots are: least squares with each dot's expected picture, what it shares with its neighbours known.

A dot's flux centroid is found with weights of its expected picture: the slopes of the picture over the noise
of each pixel, which is the estimator of least variance. What the picture of a plain disc lacks (a blur that
is not round, a tail by coma, another radius) changes smoothly over the field: it is found from all dots
together and taken out, by functions whose own centroid is zero, so that what is found stays the centroid of
light. Taken out as well: that a map that bends moves the centroid off the image of the dot's centre, and that
a dot is brighter on the side where the field is.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.picture import PIXEL_VARIANCE, PictureArray, Pictures, disc_pictures
from prewarp.checks import BoolArray, FloatArray, IntArray

_BLURS = (0.4, 0.6, 0.8, 1.1, 1.5, 2.1, 3.0)
_SHAPE = ("xx", "xy", "yy", "dilation", "xxx", "xxy", "xyy", "yyy")
_SHAPE_DEGREE = 5
# How large shape terms may be before any dot is seen, in the blur to this power; over the field less by
# degree.
_SHAPE_PRIOR = np.array([0.6, 0.6, 0.6, 0.2, 0.15, 0.15, 0.15, 0.15])
_SHAPE_POWER = (2, 2, 2, 0, 3, 3, 3, 3)
_FADING = (1.0, 1.0, 0.4, 0.15, 0.02, 0.01)
_SHAPE_FACTORS = (0.5, 1.0, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0)
REACH_BLURS = 3.2
_AT_ONCE = 64


@dataclass(frozen=True)
class DotShape:
    """What the map says of n dots: `matrix` (n, 2, 2) photograph px per panel px, `radius` (n,) panel px,
    `second` (n, 2, 3) half second slopes of the map by photograph px, `gradient` (n, 2) relative change of
    light a px, `field` (n, 2) place in the field, -1 to 1.
    """

    matrix: FloatArray
    radius: FloatArray
    second: FloatArray
    gradient: FloatArray
    field: FloatArray

    def take(self, index: IntArray | slice) -> "DotShape":
        """Return some dots."""
        return DotShape(*(getattr(self, name)[index] for name in self.__dataclass_fields__))

    @property
    def reach_px(self) -> FloatArray:
        """Largest radius of each dot in the photograph, px (n,)."""
        reach: FloatArray = np.linalg.norm(self.matrix, ord=2, axis=(1, 2)) * self.radius
        return reach


@dataclass(frozen=True)
class Fitted:
    """`offset` (n, 2) px from the middle pixel's centre; `covariance` (n, 2, 2) px^2; `light` (n,) surface
    brightness, codes; `background` (n,); `model`, `left` (n, side, side): picture expected, and what is left;
    `blur_px` of the optics, the pixel apart; `shape` (n, 8) shape terms; `inside` pixels that counted.
    """

    offset: FloatArray
    covariance: FloatArray
    light: FloatArray
    background: FloatArray
    model: PictureArray
    left: PictureArray
    blur_px: float
    shape: FloatArray
    inside: BoolArray

    @property
    def spread(self) -> FloatArray:
        """Second moments xx, xy, yy of the blur of each dot, that of the pixel apart, px^2 (n, 3)."""
        round_one = np.array([self.blur_px**2, 0.0, self.blur_px**2])
        moments: FloatArray = round_one + self.shape[:, :3]
        return moments


def first_blur(own: FloatArray, variance: FloatArray, offset: FloatArray, shape: DotShape) -> float:
    """Return the blur (1-sigma, px, with the pixel's) that suits the brightest dots best, of a coarse
    list.
    """
    half = own.shape[1] // 2
    best, chosen = np.inf, _BLURS[0]
    for blur in _BLURS:
        pictures = disc_pictures(
            offset, half, shape.matrix, shape.radius, np.full(len(own), blur**2 + PIXEL_VARIANCE), 1
        )
        columns = np.stack(
            [pictures.disc, np.ones_like(own), pictures.slope[1, 0], pictures.slope[0, 1]], axis=1
        ).reshape(len(own), 4, -1)
        weight = 1.0 / variance.reshape(len(own), -1)
        data = own.reshape(len(own), -1)
        normal = (columns * weight[:, None]) @ columns.transpose(0, 2, 1)
        side = np.einsum("nkp,np->nk", columns, weight * data)
        gain = np.einsum("nk,nk->n", side, np.linalg.solve(normal, side[..., None])[..., 0])
        misfit = float(np.median(np.sum(weight * data**2, axis=1) - gain))
        if misfit < best:
            best, chosen = misfit, blur
    return float(np.sqrt(chosen**2 + PIXEL_VARIANCE))


@dataclass(frozen=True)
class FieldShape:
    """What dots have in common: `terms` (21, 8) of the shape over the field, relative to the light; `spread`
    (168, 168) their covariance; `blur` 1-sigma of the round blur, the pixel's included, px.
    """

    terms: FloatArray
    spread: FloatArray
    blur: float

    @property
    def blur_px(self) -> float:
        """The blur without that of the pixel, px."""
        return float(np.sqrt(max(self.blur**2 - PIXEL_VARIANCE, 0.0)))


@dataclass(frozen=True)
class Seen:
    """What is fitted: `own`, `variance` (n, side, side), codes, and `usable` pixels."""

    own: PictureArray
    variance: PictureArray
    usable: BoolArray

    def take(self, index: IntArray | slice) -> "Seen":
        """Return some dots."""
        return Seen(self.own[index], self.variance[index], self.usable[index])


def nothing_in_common() -> tuple[FloatArray, FloatArray]:
    """Return terms and their covariance of plain round discs."""
    terms = (_SHAPE_DEGREE + 1) * (_SHAPE_DEGREE + 2) // 2
    return np.zeros((terms, len(_SHAPE))), np.zeros((terms * len(_SHAPE), terms * len(_SHAPE)))


def find_shape(seen: Seen, offset: FloatArray, shape: DotShape, blur: float) -> tuple[FieldShape, float]:
    """Return what dots have in common, from n dots at places known to some tenths of a pixel, and a better
    blur.

    Parameters
    ----------
    seen : Seen
    offset : (n, 2) float array
        Where dots are thought to be, px from the middle pixel's centre.
    shape : DotShape
    blur : float
        1-sigma of the blur, the pixel's included, px.
    """
    n = len(seen.own)
    places = _field_terms(shape.field)
    kinds, terms = len(_SHAPE), places.shape[1]
    reduced, right, scales = np.empty((n, kinds, kinds)), np.empty((n, kinds)), np.empty(n)
    for part in _parts(n):
        made = _Columns.of(seen.take(part), offset[part], shape.take(part), blur)
        form = made.form()
        weighted = form * made.weight[:, None]
        inner = (weighted @ form.transpose(0, 2, 1)).astype(np.float64)
        shaped = (weighted @ made.target[..., None])[..., 0].astype(np.float64)
        cross = (weighted @ made.dot.transpose(0, 2, 1)).astype(np.float64)
        solved = cross @ made.inverse
        reduced[part] = inner - solved @ cross.transpose(0, 2, 1)
        right[part] = shaped - np.einsum("njk,nk->nj", solved, made.side)
        scales[part] = made.scale
    found, spread = _smooth_shape(reduced, right, scales, places, blur)
    rounder = float(np.median((places @ found)[:, [0, 2]].mean(axis=1)))
    better = float(np.sqrt(max(blur**2 + np.clip(rounder, -0.4 * blur**2, 0.8 * blur**2), 0.1)))
    return FieldShape(found.reshape(terms, kinds), spread, blur), better


def fit_dots(seen: Seen, offset: FloatArray, shape: DotShape, common: FieldShape) -> Fitted:
    """Take one step of least squares for n dots, with the shape that they have in common known.

    Parameters
    ----------
    seen : Seen
    offset : (n, 2) float array
        Where dots are thought to be, px from the middle pixel's centre.
    shape : DotShape
    common : FieldShape
    """
    n, side, _ = seen.own.shape
    offset = offset.copy()
    covariance, light, background = np.empty((n, 2, 2)), np.empty(n), np.empty(n)
    model = np.empty((n, side, side), dtype=np.float32)
    left = np.empty_like(model)
    inside = np.empty(model.shape, dtype=bool)
    places = _field_terms(shape.field)
    in_field = places @ common.terms
    for part in _parts(n):
        made = _Columns.of(seen.take(part), offset[part], shape.take(part), common.blur)
        form = made.form()
        cross = (made.weighted @ form.transpose(0, 2, 1)).astype(np.float64)
        own_shape = in_field[part] * made.scale[:, None]
        right = made.side - np.einsum("nkj,nj->nk", cross, own_shape)
        found = np.einsum("nij,nj->ni", made.inverse, right)
        # A picture moved by d is the picture less d times its slope.
        bright = np.maximum(found[:, 0], 1e-9)
        step = -found[:, 1:3] / bright[:, None]
        covariance[part] = made.inverse[:, 1:3, 1:3] / bright[:, None, None] ** 2
        covariance[part] += _by_shape((made.inverse @ cross)[:, 1:3], places[part], common.spread)
        factors = np.concatenate([own_shape, found], axis=1).astype(np.float32)
        picture = (
            np.matmul(factors[:, None, :8], form)[:, 0] + np.matmul(factors[:, None, 8:], made.dot)[:, 0]
        )
        picture += made.fixed
        model[part] = picture.reshape(-1, side, side)
        inside[part] = made.inside
        left[part] = np.where(made.inside, made.data.reshape(-1, side, side) - model[part], 0.0)
        offset[part] += np.clip(step, -1.5, 1.5)
        light[part], background[part] = found[:, 0], found[:, 3]
    return Fitted(offset, covariance, light, background, model, left, common.blur_px, in_field, inside)


def _parts(count: int) -> list[slice]:
    """Return slices of dots whose pictures fit into a processor's cache together."""
    return [slice(first, min(first + _AT_ONCE, count)) for first in range(0, count, _AT_ONCE)]


@dataclass(frozen=True)
class _Columns:
    """Least squares of some dots: `dot` (n, 6, p) what is free for each (light, place, background and its
    slope), `weighted` times `weight` (n, p), `inverse` (n, 6, 6), `target` (n, p) data less what is known,
    `side` (n, 6); `scale` (n,) light as first guessed; `fixed` (n, p) what is known.
    """

    pictures: Pictures
    dot: PictureArray
    weight: PictureArray
    weighted: PictureArray
    inverse: FloatArray
    data: PictureArray
    target: PictureArray
    side: FloatArray
    scale: FloatArray
    fixed: PictureArray
    inside: BoolArray

    @classmethod
    def of(cls, seen: Seen, offset: FloatArray, shape: DotShape, blur: float) -> "_Columns":
        """Return the columns of dots at places."""
        n, half = len(offset), seen.own.shape[1] // 2
        pictures = disc_pictures(offset, half, shape.matrix, shape.radius, np.full(n, blur**2))
        reach = shape.reach_px + REACH_BLURS * blur + 1.0
        inside = seen.usable & (pictures.x**2 + pictures.y**2 <= (reach**2)[:, None, None])
        weight = np.where(inside, 1.0 / seen.variance, 0.0).reshape(n, -1).astype(np.float32)
        data = seen.own.reshape(n, -1).astype(np.float32)
        dot = _dot_columns(pictures, shape)
        scale = _amplitude(dot, weight, data)
        fixed = scale[:, None].astype(np.float32) * _fixed_terms(pictures, shape).reshape(n, -1)
        target = data - fixed
        weighted = dot * weight[:, None]
        normal = (weighted @ dot.transpose(0, 2, 1)).astype(np.float64)
        size = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-30))
        scaled = normal / (size[:, :, None] * size[:, None, :]) + 1e-9 * np.eye(6)
        inverse = np.linalg.inv(scaled) / (size[:, :, None] * size[:, None, :])
        side = (weighted @ target[..., None])[..., 0].astype(np.float64)
        return cls(pictures, dot, weight, weighted, inverse, data, target, side, scale, fixed, inside)

    def form(self) -> PictureArray:
        """Return what is shared over the field (n, 8, p)."""
        s = self.pictures.slope
        n = len(self.data)
        result = np.empty((n, len(_SHAPE), *s[0, 0].shape[1:]), dtype=np.float32)
        parts = (s[2, 0], s[1, 1], s[0, 2], self.pictures.dilation(), s[3, 0], s[2, 1], s[1, 2], s[0, 3])
        for place, (picture, factor) in enumerate(zip(parts, _SHAPE_FACTORS, strict=True)):
            np.multiply(picture, factor, out=result[:, place], casting="same_kind")
        return result.reshape(n, len(_SHAPE), -1)


def _dot_columns(pictures: Pictures, shape: DotShape) -> PictureArray:
    size = np.maximum(shape.reach_px, 1.0)[:, None, None]
    n = len(pictures.disc)
    result = np.empty((n, 6, *pictures.disc.shape[1:]), dtype=np.float32)
    parts = (
        pictures.disc,
        pictures.slope[1, 0],
        pictures.slope[0, 1],
        1.0,
        pictures.x / size,
        pictures.y / size,
    )
    for place, picture in enumerate(parts):
        result[:, place] = picture
    return result.reshape(n, 6, -1)


def _fixed_terms(pictures: Pictures, shape: DotShape) -> PictureArray:
    """Return what is known for each dot of light 1: the bent map and light that changes across the dot."""
    bent = pictures.bent(shape.second)
    gradient = shape.gradient[:, :, None, None].astype(np.float32)
    result: PictureArray = (
        bent + gradient[:, 0] * pictures.times_x(0, 0) + gradient[:, 1] * pictures.times_y(0, 0)
    )
    return result


def _amplitude(dot: PictureArray, weight: PictureArray, data: PictureArray) -> FloatArray:
    """Return the light of each dot by its picture and an even background alone."""
    two = dot[:, (0, 3)]
    weighted = two * weight[:, None]
    (a, b), (_, c) = (weighted @ two.transpose(0, 2, 1)).astype(np.float64).transpose(1, 2, 0)
    d, e = (weighted @ data[..., None])[..., 0].astype(np.float64).T
    light: FloatArray = np.maximum((c * d - b * e) / np.maximum(a * c - b * b, 1e-30), 1e-6)
    return light


def _field_terms(field: FloatArray) -> FloatArray:
    """Return polynomials of the place in the field (n, 21)."""
    x, y = np.clip(field, -1.2, 1.2).T
    pairs = [(i, t - i) for t in range(_SHAPE_DEGREE + 1) for i in range(t + 1)]
    terms: FloatArray = np.stack([x**i * y**j for i, j in pairs], axis=1)
    return terms


def _smooth_shape(
    reduced: FloatArray, right: FloatArray, scale: FloatArray, places: FloatArray, blur: float
) -> tuple[FloatArray, FloatArray]:
    """Return shape terms over the field (21, 8), relative to the light, and their covariance (168, 168)."""
    # A few very bright dots shall not decide alone: information is capped at twice the middle.
    strength = np.einsum("nii->n", reduced) * scale**2
    share = np.minimum(1.0, 2.0 * float(np.median(strength)) / np.maximum(strength, 1e-30))
    terms, kinds = places.shape[1], reduced.shape[1]
    weighted = (share * scale**2)[:, None, None] * reduced
    outer = (places[:, :, None] * places[:, None, :]).reshape(len(places), -1)
    normal = np.tensordot(outer, weighted.reshape(len(places), -1), (0, 0))
    normal = normal.reshape(terms, terms, kinds, kinds).transpose(0, 2, 1, 3).reshape(terms * kinds, -1)
    side = np.einsum("nl,nk->lk", places, (share * scale)[:, None] * right).ravel()
    degree = np.repeat(np.arange(_SHAPE_DEGREE + 1), np.arange(1, _SHAPE_DEGREE + 2))
    fading = np.array(_FADING)[degree]
    prior = (fading[:, None] * _SHAPE_PRIOR * blur ** np.array(_SHAPE_POWER)).ravel()
    covariance = np.linalg.inv(normal + np.diag(1.0 / prior**2))
    found: FloatArray = (covariance @ side).reshape(terms, kinds)
    return found, covariance


def _by_shape(leverage: FloatArray, places: FloatArray, spread: FloatArray) -> FloatArray:
    """Return what the uncertainty of the shape adds to that of places (n, 2, 2)."""
    terms, kinds = places.shape[1], leverage.shape[2]
    rows = (leverage[:, :, None, :] * places[:, None, :, None]).reshape(len(places), 2, terms * kinds)
    added: FloatArray = rows @ spread @ rows.transpose(0, 2, 1)
    return added
