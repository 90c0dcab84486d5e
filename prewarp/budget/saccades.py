"""Where the eye looks next, and how long it takes to get there: natural and reflexive saccades.

*Natural*: what people do when they look about. Amplitudes follow an exponential law of 7.6 degrees: A. T.
Bahill, D. Adler, L. Stark, Invest. Ophthalmol. 14 (1975) 468, people walking outdoors, 86 % within 15 degrees
(law and share from memory). In the abstract of I. V. Malinov, J. Epelboim, A. N. Herst, R. M. Steinman,
Vision Research 40 (2000) 2083, 83 % of the saccades of unrestrained people were under 15 degrees and 53 %
under 5; this law gives 86 and 48. Durations 37 + 2.7 A ms: R. W. Baloh et al., Neurology 25 (1975) 1065, from
memory.

*Reflexive*: every saccade jumps to a target that has nothing to do with where the eye was, as toward lights
that flash up; gaze positions are independent. Such saccades are larger and faster: peak velocities are those
measured on targets (PMC6143243), durations follow from a minimum-jerk course.
"""

import numpy as np
from scipy.special import ndtr, ndtri

from prewarp.checks import FloatArray

NATURAL, REFLEXIVE = "natural", "reflexive"
KINDS = (NATURAL, REFLEXIVE)
# Main sequence: mean peak velocity (deg/s) of 100 healthy people by amplitude (deg), horizontal and vertical;
# read in the abstract of PMC6143243. Small saccades follow the monotone curve to 0; beyond the last amplitude
# the velocity stays.
SACCADE_TABLE = (
    ((0.0, 5.0, 15.0, 30.0), (0.0, 213.0, 352.0, 455.0)),
    ((0.0, 5.0, 10.0, 20.0), (0.0, 208.0, 303.0, 391.0)),
)
# Peak over mean velocity of the quintic smoothstep (minimum jerk): 15/8.
PEAK_OVER_MEAN = 1.875
# Mean amplitude, and the spread of gaze (8 and 6 degrees, squares added) to which it belongs.
NATURAL_MEAN_DEG, NATURAL_SPREAD_DEG = 7.6, 10.0
# Least duration, ms, and ms per degree, of natural saccades.
NATURAL_DURATION = (37.0, 2.7)
# Natural gaze is drawn in so many stretches side by side, each after so many saccades that are thrown away.
_STRETCHES, _BURN_IN = 128, 16
# Natural gaze goes no further than this, in spreads.
_FARTHEST = 2.5
# Ways that a natural saccade of some amplitude may go.
_WAYS = 24
_LEAST_DEG = 1e-3
# How far likelier places draw natural saccades: measured, so that gaze spreads as asked.
_PULL = 1.5


def reflexive_gaze_deg(
    spread_deg: FloatArray, limit_deg: FloatArray, count: int, random: np.random.Generator, /
) -> FloatArray:
    """Return independent gaze positions (2, count), degrees: a normal law cut at its limit, both (2, 1)."""
    edge = ndtr(limit_deg / np.maximum(spread_deg, 1e-9))
    # By the inverse of its distribution.
    gaze: FloatArray = spread_deg * ndtri(1.0 - edge + (2.0 * edge - 1.0) * random.random((2, count)))
    return gaze


def natural_gaze_deg(
    spread_deg: FloatArray, limit_deg: FloatArray, count: int, random: np.random.Generator, /
) -> FloatArray:
    """Return gaze positions (2, count), degrees, one saccade after the other; spread and limit (2, 1).

    Each amplitude is drawn from the exponential law, whose mean is 7.6 degrees where gaze spreads by 8 and 6
    degrees and goes with that spread. Of the ways that a saccade may go those are likelier that lead to where
    the eye looks oftener, so that gaze spreads as asked within a tenth; one that no way keeps within the
    limits, or within 2.5 times the spread, ends there.
    """
    limit_deg = np.minimum(limit_deg, _FARTHEST * spread_deg)
    gaze = reflexive_gaze_deg(spread_deg, limit_deg, _STRETCHES, random)
    if not np.any(limit_deg * spread_deg > 0.0):
        return np.zeros((2, count))
    steps = -(-count // _STRETCHES)
    path = np.empty((steps, 2, _STRETCHES))
    way = np.arange(_WAYS)[:, None] * (2.0 * np.pi / _WAYS)
    spread = np.maximum(spread_deg, _LEAST_DEG)
    mean = NATURAL_MEAN_DEG * float(np.hypot(*spread_deg[:, 0])) / NATURAL_SPREAD_DEG
    for step in range(-_BURN_IN, steps):
        amplitude = random.exponential(mean, _STRETCHES)
        angle = way + 2.0 * np.pi * random.random(_STRETCHES)
        there = gaze[:, None] + amplitude * np.stack([np.cos(angle), np.sin(angle)])
        beyond = np.maximum(np.abs(there) - limit_deg[:, None], 0.0).sum(axis=0)
        unlikely = 0.5 * np.sum((there / spread[:, None]) ** 2, axis=0) * _PULL + 1e3 * beyond
        # The least of such sums is drawn with probabilities exp(-unlikely): Gumbel's law.
        chosen = np.argmin(unlikely + np.log(random.standard_exponential(unlikely.shape)), axis=0)
        gaze = np.clip(there[:, chosen, np.arange(_STRETCHES)], -limit_deg, limit_deg)
        if step >= 0:
            path[step] = gaze
    # Stretch after stretch.
    return np.ascontiguousarray(path.transpose(1, 2, 0).reshape(2, -1)[:, :count])


def durations_s(step_deg: FloatArray, kind: str, /) -> FloatArray:
    """Return how long saccades (2, n), horizontal and vertical parts in degrees, take, seconds."""
    amplitude = np.hypot(*step_deg)
    if kind == NATURAL:
        least, each = NATURAL_DURATION
        return np.asarray((least + each * amplitude) / 1000.0)
    velocity = np.maximum(peak_velocity_deg_per_s(step_deg), 1.0)
    return np.asarray(np.maximum(PEAK_OVER_MEAN * amplitude / velocity, 1e-4))


def peak_velocity_deg_per_s(step_deg: FloatArray, /) -> FloatArray:
    """Return the peak velocity (n,) of saccades (2, n), horizontal and vertical parts in degrees.

    Oblique saccades: squares of the two curves at the whole amplitude, weighed by the squares of the parts.
    """
    # Slow to import; other commands start without it.
    from scipy.interpolate import PchipInterpolator

    amplitude = np.hypot(*step_deg)
    squared = np.zeros_like(amplitude)
    for part, (at, velocity) in zip(step_deg, SACCADE_TABLE, strict=True):
        curve = PchipInterpolator(at, velocity)(np.minimum(amplitude, at[-1]))
        squared += (part / np.maximum(amplitude, _LEAST_DEG)) ** 2 * curve**2
    return np.asarray(np.sqrt(squared))
