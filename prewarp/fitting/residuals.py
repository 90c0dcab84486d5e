"""What samples leave over when a fit is subtracted, and the length of that in pixels.

Where panel points repeat from pupil to pupil, the sums over the panel functions are done once per dot, not
once per sample.
"""

from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np

from prewarp.checks import FloatArray
from prewarp.fitting.expansion import Expansion, pupil_sum
from prewarp.fitting.samples import Samples

CHUNK = 8192


def residuals(samples: Samples, expansions: tuple[Expansion, ...], /) -> FloatArray:
    """Return q - q_fit (2, n), with one expansion per colour."""
    rest = np.empty((2, samples.count))
    edges = np.searchsorted(samples.colour, np.arange(samples.colours + 1))
    for colour, expansion in enumerate(expansions):
        inner_of = _inner_sums(samples, partial(_values, expansion))
        for part in _parts(edges[colour], edges[colour + 1]):
            pupil = expansion.frame.values(samples.reference_mm[part], expansion.pupil_degree)
            rest[:, part] = samples.cosine[part].T - pupil_sum(inner_of(part)[0], pupil)
    return rest


def _values(expansion: Expansion, pixel: FloatArray) -> tuple[FloatArray, ...]:
    return (expansion.panel.sums(pixel, expansion.coefficients),)


def pixel_metric(samples: Samples, expansion: Expansion, /) -> FloatArray:
    """Return weights (3, n): the quadratic form (xx, xy, yy) that turns a cosine residual into squared px.

    W = (J J^T)^-1 with J = dq/d(u, v): r^T W r = |J^-1 r|^2.
    """
    metric = np.empty((3, samples.count))
    inner_of = _inner_sums(
        samples, lambda pixel: expansion.panel.sums_and_slopes(pixel, expansion.coefficients)[1:]
    )
    for part in _parts(0, samples.count):
        pupil = expansion.frame.values(samples.reference_mm[part], expansion.pupil_degree)
        by_u, by_v = (pupil_sum(inner, pupil) for inner in inner_of(part))
        xx = by_u[0] ** 2 + by_v[0] ** 2
        xy = by_u[0] * by_u[1] + by_v[0] * by_v[1]
        yy = by_u[1] ** 2 + by_v[1] ** 2
        determinant = np.maximum(xx * yy - xy * xy, 1e-300)
        metric[:, part] = np.stack([yy, -xy, xx]) / determinant
    return metric


def in_pixels(metric: FloatArray, rest: FloatArray, /) -> FloatArray:
    """Return residuals (2, n) in px, turned so that W = R^T R with R upper triangular."""
    root = np.sqrt(metric[0])
    across = np.sqrt(np.maximum(metric[2] - metric[1] ** 2 / metric[0], 0.0))
    return np.stack([root * rest[0] + metric[1] / root * rest[1], across * rest[1]])


def _parts(start: int, stop: int) -> Iterator[slice]:
    for low in range(start, stop, CHUNK):
        yield slice(low, min(low + CHUNK, stop))


def _inner_sums(
    samples: Samples, at: Callable[[FloatArray], tuple[FloatArray, ...]]
) -> Callable[[slice], Sequence[FloatArray]]:
    """Return what gives panel sums, (2, pupil functions, n) each, for a slice of samples."""
    if not samples.shares_dots:
        return lambda part: at(samples.pixel[part])
    pieces = [at(samples.dot_pixel[part]) for part in _parts(0, samples.dots)]
    per_dot = [np.concatenate(tables, axis=2) for tables in zip(*pieces, strict=True)]
    return lambda part: [table[:, :, samples.dot[part]] for table in per_dot]
