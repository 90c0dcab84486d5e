"""Seam pairs of two closed-form channels, one of them mounted askew; noise where wanted."""

import numpy as np

from prewarp.field.mount import Mount
from prewarp.frames import sight_axes, unit_from_tangent
from prewarp.registration import SeamPairs

# About half a degree in all.
ASKEW = Mount((0.25, -0.35, 0.3))
SEAM_DEG = ((-1.5, 1.5), (-12.0, 12.0))


def nudged(tangent, step_arcmin):
    """Return directions moved by small steps, right and up."""
    vector = unit_from_tangent(tangent) + np.einsum(
        "...i,...ij->...j", np.radians(step_arcmin / 60.0), sight_axes(tangent)
    )
    return vector[..., :2] / vector[..., 2:]


def seam_directions(count, random, within=SEAM_DEG):
    low, high = np.array(within).T
    return np.tan(np.radians(random.uniform(low, high, (count, 2))))


def pairs_of(
    truth, *, count=40, noise_arcmin=0.0, seed=0, within=SEAM_DEG, names=("inner", "outer"), colours=("G",)
):
    """Return pairs that the true fields `truth` show in one direction, but for the noise per axis."""
    random = np.random.default_rng(seed)
    tangent = seam_directions(count, random, within)
    pupil = random.uniform([-3, -3, -1], [3, 3, 1], (count, 3))
    colour = np.array(colours)[np.arange(count) % len(colours)]
    points = []
    for place, name in enumerate(names):
        moved = (
            tangent
            if place == 0
            else nudged(tangent, random.normal(0.0, max(noise_arcmin, 1e-300), (count, 2)))
        )
        found = truth.field(name, "G").inverse(moved, pupil_mm=pupil)
        assert found.valid.all()
        points.append(found.pixel)
    return SeamPairs(
        np.full(count, names[0]), np.full(count, names[1]), colour, pupil, *points,
        np.zeros((count, 2)), np.ones(count), np.arange(2, count + 2), "pairs.csv",
    )  # fmt: skip
