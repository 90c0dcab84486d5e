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

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.capture.extract.picture import PIXEL_VARIANCE, Pictures, disc_pictures

_BLURS = (0.35, 0.5, 0.65, 0.8, 1.0, 1.25, 1.6, 2.0, 2.6, 3.4)
_SHAPE = ("xx", "xy", "yy", "dilation", "xxx", "xxy", "xyy", "yyy")
_SHAPE_DEGREE = 3
# How large shape terms may be before any dot is seen, in the blur to this power; over the field less by degree.
_SHAPE_PRIOR = np.array([0.6, 0.6, 0.6, 0.2, 0.15, 0.15, 0.15, 0.15])
_SHAPE_POWER = (2, 2, 2, 0, 3, 3, 3, 3)
_FADING = (1.0, 1.0, 0.4, 0.15)
REACH_BLURS = 3.2


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

    def take(self, index: IntArray) -> "DotShape":
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
    model: FloatArray
    left: FloatArray
    blur_px: float
    shape: FloatArray
    inside: BoolArray


def first_blur(own: FloatArray, variance: FloatArray, offset: FloatArray, shape: DotShape) -> float:
    """Return the blur (1-sigma, px, with the pixel's) that suits the brightest dots best, of a coarse list."""
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


def fit_dots(
    own: FloatArray,
    variance: FloatArray,
    usable: BoolArray,
    offset: FloatArray,
    shape: DotShape,
    blur: float,
    trusted: BoolArray,
) -> tuple[Fitted, float]:
    """Take one step of least squares for n dots.

    Parameters
    ----------
    own, variance : (n, side, side) float arrays
        Each dot's own picture, codes, and the variance of its pixels.
    usable : (n, side, side) bool array
        Pixels that count.
    offset : (n, 2) float array
        Where dots are thought to be, px from the middle pixel's centre.
    blur : float
        1-sigma of the blur, the pixel's included, px.
    trusted : (n,) bool array
        Dots that the shape is found from.

    Returns
    -------
    Fitted, blur
        The fit with the shape found now; the blur for the next step, the pixel's included, px.
    """
    n = len(own)
    half = own.shape[1] // 2
    pictures = disc_pictures(offset, half, shape.matrix, shape.radius, np.full(n, blur**2))
    reach = shape.reach_px + REACH_BLURS * blur + 1.0
    inside = usable & (pictures.x**2 + pictures.y**2 <= (reach**2)[:, None, None])
    weight = np.where(inside, 1.0 / variance, 0.0).reshape(n, -1)
    data = own.reshape(n, -1)
    fixed = _fixed_terms(pictures, shape).reshape(n, -1)
    dot = _dot_columns(pictures, shape).reshape(n, 6, -1)
    scale = _amplitude(dot, weight, data)
    form = _shape_columns(pictures).reshape(n, len(_SHAPE), -1)

    weighted = dot * weight[:, None]
    normal = weighted @ dot.transpose(0, 2, 1)
    inverse = np.linalg.inv(normal + 1e-12 * np.einsum("nii->n", normal)[:, None, None] * np.eye(6))
    cross = weighted @ form.transpose(0, 2, 1)
    target = data - scale[:, None] * fixed
    side = np.einsum("nkp,np->nk", weighted, target)
    places = _field_terms(shape.field)
    shaped = np.einsum("nkp,np->nk", form * weight[:, None], target)
    inner = (form * weight[:, None]) @ form.transpose(0, 2, 1)
    reduced = inner - cross.transpose(0, 2, 1) @ inverse @ cross
    right = shaped - np.einsum("nkj,nk->nj", cross, np.einsum("nij,nj->ni", inverse, side))
    terms, spread = _smooth_shape(reduced, right, scale, places, trusted, blur)
    in_field = places @ terms
    own_shape = in_field * scale[:, None]
    side = side - np.einsum("nkj,nj->nk", cross, own_shape)
    found = np.einsum("nij,nj->ni", inverse, side)
    # A picture moved by d is the picture less d times its slope.
    step = -found[:, 1:3] / np.maximum(found[:, :1], 1e-9)
    covariance = inverse[:, 1:3, 1:3] / np.maximum(found[:, 0], 1e-9)[:, None, None] ** 2
    covariance = covariance + _by_shape((inverse @ cross)[:, 1:3], places, spread)
    model = scale[:, None] * fixed + np.einsum("nk,nkp->np", own_shape, form)
    model = model + np.einsum("nk,nkp->np", found, dot)
    left = np.where(inside, (data - model).reshape(own.shape), 0.0)
    rounder = float(np.median(in_field[:, 0] + in_field[:, 2]))
    next_blur = float(np.sqrt(max(blur**2 + np.clip(rounder, -0.4 * blur**2, 0.8 * blur**2), 0.1)))
    fitted = Fitted(
        offset=offset + np.clip(step, -1.5, 1.5),
        covariance=covariance,
        light=found[:, 0],
        background=found[:, 3],
        model=model.reshape(own.shape),
        left=left,
        blur_px=float(np.sqrt(max(next_blur**2 - PIXEL_VARIANCE, 0.0))),
        shape=in_field,
        inside=inside,
    )
    return fitted, next_blur


def _dot_columns(pictures: Pictures, shape: DotShape) -> FloatArray:
    """Return what is free for each dot: light, place, background and its slope (n, 6, side, side)."""
    slopes = pictures.slope
    one = np.ones_like(pictures.disc)
    size = np.maximum(shape.reach_px, 1.0)[:, None, None]
    return np.stack(
        [pictures.disc, slopes[1, 0], slopes[0, 1], one, one * pictures.x / size, one * pictures.y / size],
        axis=1,
    )


def _shape_columns(pictures: Pictures) -> FloatArray:
    """Return what is shared over the field (n, 8, side, side)."""
    s = pictures.slope
    parts = [0.5 * s[2, 0], s[1, 1], 0.5 * s[0, 2], pictures.dilation()]
    parts += [s[3, 0], s[2, 1], s[1, 2], s[0, 3]]
    return np.stack(parts, axis=1)


def _fixed_terms(pictures: Pictures, shape: DotShape) -> FloatArray:
    """Return what is known for each dot of light 1: the bent map and light that changes across the dot."""
    bent = pictures.bent(shape.second)
    gradient = shape.gradient[:, :, None, None]
    result: FloatArray = (
        bent + gradient[:, 0] * pictures.times_x(0, 0) + gradient[:, 1] * pictures.times_y(0, 0)
    )
    return result


def _amplitude(dot: FloatArray, weight: FloatArray, data: FloatArray) -> FloatArray:
    """Return the light of each dot by its picture and an even background alone."""
    disc, one = dot[:, 0], dot[:, 3]
    a, b, c = (np.einsum("np,np,np->n", weight, p, q) for p, q in ((disc, disc), (disc, one), (one, one)))
    d, e = (np.einsum("np,np,np->n", weight, p, data) for p in (disc, one))
    return np.maximum((c * d - b * e) / np.maximum(a * c - b * b, 1e-30), 1e-6)


def _field_terms(field: FloatArray) -> FloatArray:
    """Return polynomials of the place in the field (n, 10)."""
    x, y = np.clip(field, -1.2, 1.2).T
    pairs = [(i, t - i) for t in range(_SHAPE_DEGREE + 1) for i in range(t + 1)]
    return np.stack([x**i * y**j for i, j in pairs], axis=1)


def _smooth_shape(
    reduced: FloatArray, right: FloatArray, scale: FloatArray, places: FloatArray, trusted: BoolArray, blur: float
) -> tuple[FloatArray, FloatArray]:
    """Return shape terms over the field (10, 8), relative to the light, from trusted dots; their covariance."""
    # A few very bright dots shall not decide alone: information is capped at twice the middle.
    strength = np.einsum("nii->n", reduced) * scale**2
    middle = float(np.median(strength[trusted])) if trusted.any() else 1.0
    share = np.where(trusted, np.minimum(1.0, 2.0 * middle / np.maximum(strength, 1e-30)), 0.0)
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
