"""The step across a seam that is to be expected: what a map says of itself, with the map's own error in it.

Light is matched by maps and, without another instrument, judged by them: their error cancels, and the step
read off is too small. What the samples leave open of the maps (`prewarp.photometry.certainty`) is drawn, and
the lines across the seam are read again with it.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray
from prewarp.photometry.match import LightMatch
from prewarp.photometry.profile import SIDE_DEG, ProfileDraws, SeamProfile, line_tangents
from prewarp.seam.blend import Seam

if TYPE_CHECKING:
    from prewarp.field import FieldSet

DRAWS = 300
# A channel with less of a direction's light than this does not move it.
_LEAST_SHARE = 4e-3


def with_map_error(
    profiles: Mapping[str, SeamProfile],
    weights: Mapping[str, Mapping[str, Mapping[str, float]]],
    fields: "FieldSet",
    match: LightMatch,
    seam: Seam,
    /,
    *,
    pupil_mm: ArrayLike,
    seed: int = 0,
) -> dict[str, SeamProfile]:
    """Return the profiles with draws of what the luminance maps leave open.

    Parameters
    ----------
    profiles : mapping of str to SeamProfile
        Of one seam and pupil, by name.
    weights : mapping
        By name, channel and colour: what share of the light read in that profile the colour is.
    fields : FieldSet
    match : LightMatch
        With the maps by which the light was worked out.
    seam : Seam
    pupil_mm : (3,) float array
        Where the light was looked at from, mm.
    seed : int
        The same seed gives the same draws.

    Notes
    -----
    A direction gets the shares b_c of its light from channels c. Where the true luminance of c is the map
    times e^d_c, the light seen is the one worked out times sum b_c e^d_c.
    """
    any_profile = next(iter(profiles.values()))
    low = any_profile.hand_over_deg[:, 0].min() - SIDE_DEG
    high = any_profile.hand_over_deg[:, 1].max() + SIDE_DEG
    near = (any_profile.along_deg >= low) & (any_profile.along_deg <= high)
    tangent = line_tangents(seam, any_profile)[:, near]
    factors = _factors(weights, fields, match, seam, tangent, np.asarray(pupil_mm, dtype=float), seed)
    return {name: _drawn(profile, near, factors[name]) for name, profile in profiles.items()}


def _factors(
    weights: Mapping[str, Mapping[str, Mapping[str, float]]],
    fields: "FieldSet",
    match: LightMatch,
    seam: Seam,
    tangent: FloatArray,
    pupil_mm: FloatArray,
    seed: int,
) -> dict[str, FloatArray]:
    """Return, by profile, true light over light worked out (draws, k, n) in directions (k, n, 2)."""
    shares = seam.weights(tangent)
    result = {name: np.zeros((DRAWS, *tangent.shape[:-1])) for name in weights}
    for place, channel in enumerate(seam.channels):
        for number, colour in enumerate(fields.colours):
            random = np.random.default_rng((seed, place, number))
            field = fields.field(channel, colour)
            found = field.inverse(tangent, pupil_mm=pupil_mm)
            lit = found.valid & (shares[place] > _LEAST_SHARE)
            error = np.zeros((DRAWS, *lit.shape))
            if lit.any():
                error[:, lit] = match.maps.map(channel, colour).log_errors(
                    found.pixel[lit], tangent[lit], pupil_mm=pupil_mm, draws=DRAWS, random=random
                )
            given = shares[place] * np.exp(error)
            for name, own in weights.items():
                if share := own[channel].get(colour, 0.0):
                    result[name] += share * given
    return result


def _drawn(profile: SeamProfile, near: np.ndarray, factor: FloatArray) -> SeamProfile:
    """Return the profile with the worst step and ripple of every draw; `factor` (draws, k, n near)."""
    draws, lines = factor.shape[:2]

    def every(values: FloatArray) -> FloatArray:
        return np.tile(values, (draws, 1))

    seen = SeamProfile(
        profile.channels,
        profile.along_deg[near],
        np.tile(profile.beside_deg, draws),
        every(profile.luminance[:, near]) * factor.reshape(draws * lines, -1),
        every(profile.target[:, near]),
        every(profile.hand_over_deg),
    )
    return replace(
        profile,
        draws=ProfileDraws(
            seen.step_percent.reshape(draws, lines).max(axis=1),
            seen.ripple_percent.reshape(draws, lines).max(axis=1),
        ),
    )
