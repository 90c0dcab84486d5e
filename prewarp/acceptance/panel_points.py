"""Points over all that a package lights of a panel, and over all of the eye box: there place errors are read
off.

The rim is the package's own: dots end up to their spacing inside it.
"""

from functools import cache

import numpy as np
from scipy.stats import qmc

from prewarp.acceptance.predicted import lookup_pairs
from prewarp.acceptance.smooth import Points
from prewarp.acceptance.tables_as_fields import TableField
from prewarp.checks import FloatArray, IntArray
from prewarp.frames import arcmin_step, reference_pupil
from prewarp.lookup import Lookup
from prewarp.lookup.device_light import PreparedLight

# Pupils, and places of the panel for each; in parts that are scrambled apart from each other (A. B. Owen, J.
# Complexity 14 (1998) 466, from memory).
_PARTS, _PUPILS, _PLACES = 16, 4, 128
_STEP_PX = 0.5


def panel_points(lookup: Lookup, /) -> dict[tuple[str, str], Points]:
    """Return points by channel and colour; places are panel px, what makes arcmin of a step in px is with
    them. None where the package lights nothing.
    """
    place, unit_pupil, group = _unit()
    low, high = np.asarray(lookup.pupil_box_mm, dtype=float)
    pupils = low + (high - low) * unit_pupil
    lights, found = [PreparedLight(lookup, pupil) for pupil in pupils], {}
    for channel, colour in lookup_pairs(lookup):
        number = lookup.channels.index(channel)
        pixel = place * np.asarray(lookup.panel_sizes_px[number], dtype=float)
        field = TableField(lookup, channel, colour)
        tangent = field.forward(pixel, pupil_mm=pupils[None])
        slope = np.stack(
            [
                arcmin_step(tangent, field.forward(pixel + one, pupil_mm=pupils[None])) / _STEP_PX
                for one in _STEP_PX * np.eye(2)
            ],
            axis=-1,
        )
        lit = np.stack([one.lit_by(number, tangent[:, k]) for k, one in enumerate(lights)], axis=1)
        reference = reference_pupil(tangent, np.broadcast_to(pupils, (*lit.shape, 3)))
        group_of = np.broadcast_to(group, lit.shape)
        found[channel, colour] = Points(pixel[lit], reference[lit], group_of[lit], seen=slope[lit])
    return found


@cache
def _unit() -> tuple[FloatArray, FloatArray, IntArray]:
    """Return places (places, pupils, 2) and pupils (pupils, 3), 0 to 1, and the part each pupil is of."""
    places, pupils = [], []
    for part in range(_PARTS):
        drawn = qmc.Halton(2, scramble=True, seed=part).random(_PUPILS * _PLACES)
        places.append(drawn.reshape(_PUPILS, _PLACES, 2))
        pupils.append(qmc.Halton(3, scramble=True, seed=_PARTS + part).random(_PUPILS))
    return (
        np.concatenate(places).swapaxes(0, 1),
        np.concatenate(pupils),
        np.repeat(np.arange(_PARTS), _PUPILS),
    )
