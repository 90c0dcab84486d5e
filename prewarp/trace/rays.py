"""The kernel: rays through placed surfaces; a ray that fails becomes NaN and the batch goes on."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.trace.design import Surface

# Codes of `Rays.cause`; 0 is a ray that came through.
CAUSES = ("", "missed", "total internal reflection", "outside aperture", "off the panel")
MISSED, TOTAL_REFLECTION, OUTSIDE_APERTURE, OFF_PANEL = 1, 2, 3, 4


@dataclass(frozen=True)
class Rays:
    """Rays behind the last surface.

    `point` (..., 3) mm and `direction` (..., 3) unit, eye frame, NaN where failed; `cause` (...) codes into
    `CAUSES`; `surface` (...) number of the surface where it failed, from 1, 0 where it did not; `path`
    (number of surfaces + 1, ..., 3): the start and the points on every surface.
    """

    point: FloatArray
    direction: FloatArray
    cause: IntArray
    surface: IntArray
    path: FloatArray


def trace_rays(
    surfaces: tuple[Surface, ...],
    places: list[tuple[FloatArray, FloatArray]],
    point: FloatArray,
    direction: FloatArray,
    /,
    *,
    wavelength_nm: float,
    rims_stop: bool = True,
) -> Rays:
    """Trace rays through surfaces placed in the eye frame.

    Parameters
    ----------
    surfaces, places
        The surfaces and where each sits (`DesignChannel.places`; entries beyond the surfaces are ignored).
    point, direction : (..., 3) arrays
        Start of each ray, mm, and unit direction, eye frame.
    wavelength_nm : float
        Vacuum wavelength.
    rims_stop : bool
        Rays outside a semi-aperture fail; else surfaces go on beyond their rims.

    Notes
    -----
    Law of refraction in vector form, d' = r d + (r cos I - cos I') n with r = n1 / n2 (W. T. Welford,
    Aberrations of Optical Systems, 1986, section 4.3, from memory). A surface is met wherever the ray's line
    crosses it, ahead or behind: a design whose surfaces cross is traced as if they did not, so look at
    `path`.
    """
    shape = np.broadcast_shapes(point.shape, direction.shape)
    point = np.broadcast_to(point, shape).astype(np.float64)
    direction = np.broadcast_to(direction, shape).astype(np.float64)
    cause = np.zeros(shape[:-1], dtype=np.int8)
    failed_at = np.zeros(shape[:-1], dtype=np.int16)
    path = [point]
    index = 1.0
    for number, (surface, (vertex, axes)) in enumerate(zip(surfaces, places, strict=False), 1):
        own_direction = direction @ axes
        met = surface.shape.meet((point - vertex) @ axes, own_direction)
        _mark(cause, failed_at, np.isnan(met[..., 0]), MISSED, number)
        if rims_stop and surface.semi_aperture_mm is not None:
            outside = np.hypot(met[..., 0], met[..., 1]) > surface.semi_aperture_mm
            _mark(cause, failed_at, outside, OUTSIDE_APERTURE, number)
        normal = surface.shape.normal(met[..., 0], met[..., 1])
        if surface.reflect:
            turned = _reflected(own_direction, normal)
        else:
            behind = surface.index_behind(wavelength_nm)
            turned = _refracted(own_direction, normal, index / behind)
            index = behind
        _mark(cause, failed_at, np.isnan(turned[..., 0]), TOTAL_REFLECTION, number)
        alive = (cause == 0)[..., None]
        point = np.where(alive, met @ axes.T + vertex, np.nan)
        direction = np.where(alive, turned @ axes.T, np.nan)
        path.append(point)
    return Rays(point, direction, cause, failed_at, np.stack(path))


def _mark(cause: IntArray, failed_at: IntArray, fails: np.ndarray, code: int, number: int) -> None:
    fresh = fails & (cause == 0)
    cause[fresh] = code
    failed_at[fresh] = number


def _reflected(direction: FloatArray, normal: FloatArray) -> FloatArray:
    result: FloatArray = direction - 2.0 * np.sum(direction * normal, axis=-1, keepdims=True) * normal
    return result


def _refracted(direction: FloatArray, normal: FloatArray, ratio: float) -> FloatArray:
    cosine = np.sum(direction * normal, axis=-1, keepdims=True)
    squared = 1.0 - ratio * ratio * (1.0 - cosine * cosine)
    after = np.sqrt(np.where(squared >= 0.0, squared, np.nan))
    result: FloatArray = ratio * direction + (np.copysign(after, cosine) - ratio * cosine) * normal
    return result
