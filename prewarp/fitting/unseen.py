"""Pupil functions that no captured position shows, with the size that they may have.

A fit ties them to rounder ones (`support`). Of a function that is tied only a part is unknown: what it is off
its tie, which vanishes at every captured position and shows between and beyond them. Its size is that of its
partner that the positions do show, the sine for the cosine: as the field turns about the axis of an optical
system, one becomes the other. Where neither is shown it is that of the shown one that is next in roundness.
"""

from collections.abc import Callable

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.samples import Samples
from prewarp.fitting.support import WaveColumn, wave_columns

NODES = 9
# A function counts as shown by the columns of a fit where less than this share of it is off them.
SAME = 1e-6


def unseen_functions(samples: Samples, expansion: Expansion, /) -> FloatArray:
    """Return the unknown parts of what the positions do not show, (m, count, 2), 1-sigma each.

    In the scalar pupil basis of the expansion's pupil degree; direction cosines. Up to the fit's own pupil
    degree: none where that is complete.
    """
    degree = expansion.pupil_degree
    table = samples.pupil.up_to(degree)
    count = count_of_degree(degree)
    gradient = np.flatnonzero(~table.is_curl)
    known = np.stack([table.x[gradient], table.y[gradient]], axis=-1)
    sizes = _sizes(samples, expansion, known)
    found = []
    for order in range(1, degree + 1):
        waves = wave_columns(samples.frame, order)
        if np.sum(table.order[gradient] == order) == len(waves):
            continue
        padded = [_padded(wave, count) for wave in waves]
        shown = [place for place, wave in enumerate(padded) if _is_held(wave, known)]
        for place, wave in enumerate(waves):
            if place in shown:
                continue
            if shown:
                partner = min(shown, key=lambda one: abs(waves[one].turns - wave.turns))
                found.append(sizes(padded[partner]) * _off_the_tie(samples, padded[place], known))
    return np.array(found).reshape(-1, count, 2)


def _padded(wave: WaveColumn, count: int) -> FloatArray:
    return np.stack([np.pad(part, (0, count - len(part))) for part in (wave.x, wave.y)], axis=-1)


def _is_held(function: FloatArray, known: FloatArray) -> bool:
    """Return whether a function (count, 2) is a mixture of the known ones (k, count, 2)."""
    flat = known.reshape(len(known), -1)
    rest = function.ravel() - flat.T @ np.linalg.lstsq(flat.T, function.ravel(), rcond=None)[0]
    return bool(np.linalg.norm(rest) < SAME * np.linalg.norm(function))


def _off_the_tie(samples: Samples, function: FloatArray, known: FloatArray) -> FloatArray:
    """Return what a function (count, 2) has beyond the known ones that look like it at the positions."""
    references = samples.positions.reference_mm().reshape(-1, 2)
    degree = 0
    while count_of_degree(degree) < len(function):
        degree += 1
    scalar = samples.frame.values(references, degree)
    design = np.einsum("kjc,jn->cnk", known, scalar).reshape(-1, len(known))
    wanted = np.einsum("jc,jn->cn", function, scalar).ravel()
    mixture = np.linalg.lstsq(design, wanted, rcond=1e-9)[0]
    result: FloatArray = function - np.einsum("k,kjc->jc", mixture, known)
    return result


def _sizes(samples: Samples, expansion: Expansion, known: FloatArray) -> Callable[[FloatArray], float]:
    """Return what gives the RMS size over the panel of a held function's coefficient."""
    flat = known.reshape(len(known), -1)
    low, high = samples.pixel.min(axis=0), samples.pixel.max(axis=0)
    nodes = (np.linspace(a, b, NODES) for a, b in zip(low, high, strict=True))
    pixel = np.stack(np.meshgrid(*nodes), axis=-1).reshape(-1, 2)
    inner = expansion.panel.sums(pixel, expansion.coefficients)
    at_pixel = np.moveaxis(inner, 0, -1).reshape(flat.shape[1] // 2, len(pixel), 2)
    values = at_pixel.transpose(0, 2, 1).reshape(flat.shape[1], len(pixel))
    coefficient = np.linalg.lstsq(flat.T, values, rcond=1e-9)[0]

    def size(function: FloatArray) -> float:
        mixture = np.linalg.lstsq(flat.T, function.ravel(), rcond=None)[0]
        along = mixture @ coefficient / (mixture @ mixture)
        return float(np.sqrt(np.mean(along**2)))

    return size
