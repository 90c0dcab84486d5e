"""Directions that were written as azimuth and elevation of a goniometer instead of projected angles.

dir_x_deg = atan(X / Z) and dir_y_deg = atan(Y / Z). With elevation above a turned vertical plane,
(X, Y, Z) = (sin a cos e, sin e, cos a cos e): tan dir_x = tan a, tan dir_y = tan e / cos a; where the other
axis carries the first, x and y change places. Straight ahead and along the axes both are the same.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import FloatArray
from prewarp.frames import arcmin_between, cosine_from_tangent, reference_pupil

# What conversion must leave of the curl beyond what is explained.
_EXPLAINS = 0.3


def tangent_from_goniometer(tangent: FloatArray, /, *, inner: int) -> FloatArray:
    """Return true tangents (..., 2) of angles taken for projected ones, given as their tangents (..., 2).

    `inner` 1: elevation is measured in the plane that azimuth turns; 0: the other way round.
    """
    result = np.array(tangent, dtype=np.float64)
    result[..., inner] *= np.sqrt(1.0 + tangent[..., 1 - inner] ** 2)
    return result


_CAUSES = (
    (1, "dir_x_deg and dir_y_deg are azimuth and elevation", "tan dir_y = tan elevation / cos azimuth"),
    (
        0,
        "dir_y_deg is carried by an elevation axis, dir_x_deg turns on it",
        "tan dir_x = tan dir_x / cos dir_y",
    ),
)


def angles_finding(
    samples: Samples,
    curls: dict[int, tuple[float, float]],
    measured: Callable[[Samples, int], tuple[float, float] | None],
) -> Finding | None:
    """Return the finding where angles of a goniometer explain the curl of the pairs in `curls`.

    `curls` holds curl and what of it is explained, arcmin per mm; `measured` gives the same for other
    samples.
    """
    best, cause = 1.0, None
    for inner, text, formula in _CAUSES:
        turned = _with_tangents(samples, tangent_from_goniometer(samples.tangent, inner=inner))
        left = []
        for pair, (curl, explained) in curls.items():
            again = measured(turned, pair)
            if again is None:
                return None
            left.append(max(again[0] ** 2 - again[1] ** 2, 0.0) / max(curl**2 - explained**2, 1e-300))
        share = float(np.sqrt(np.mean(left)))
        if share < best:
            best, cause = share, (turned, text, formula)
    if cause is None or best > _EXPLAINS:
        return None
    turned, text, formula = cause
    worst_deg = float(arcmin_between(samples.tangent, turned.tangent).max()) / 60.0
    return finding(
        "angles",
        "error",
        f"{text} of a goniometer, not projected angles: converted, {100.0 * best:.0f} % of the curl is left; "
        f"directions are up to {worst_deg:.2g} degrees off.",
        f"Write projected angles, atan(X/Z) and atan(Y/Z): {formula}; then check again.",
        rows=samples.row,
        size=(worst_deg, "degrees"),
    )


def _with_tangents(samples: Samples, tangent: FloatArray) -> Samples:
    return replace(
        samples,
        tangent=tangent,
        cosine=cosine_from_tangent(tangent),
        reference_mm=reference_pupil(tangent, samples.pupil_mm),
    )
