"""What bounds the seam of a unit of a line: `python -m tests.long.line_seam FAMILY`.

FAMILY is that of the folded demo (`prewarp line family`). The posterior covariance of a unit's coefficients,
by the slopes of the nominal design, is carried to the seam (63 directions, 20 pupils of the eye box, as in
`tests.long.line_units`) for poses and noise that are known better and better. Then of all pairs of 75 places
of the eye box that one is told that leaves the least, and, by the trace of the nominal design alone, what a
shift common to both shots moves the channels against each other. Half a minute of one core. Last figures:
DEVELOPERS.md, "A family of units".
"""

import argparse
from pathlib import Path

import numpy as np

from prewarp.frames import ARCMIN_PER_RADIAN
from prewarp.line.positions import PositionsSettings, Told, candidate_counts
from prewarp.line.rows import PosePrior, Seen, view_of
from prewarp.line.storage import read_family
from prewarp.module import read_module
from prewarp.points import box_lattice
from prewarp.poses.rays import OFFSET, PER_SHOT, TURN
from prewarp.trace import reach_lattice
from tests.long.line_units import CALIB, PUPILS, TWO, traced

# By I-optimality (`prewarp line positions`).
CHOSEN = np.array([[4.0, -1.5, -2.0], [-4.0, 1.5, -2.0]])
DRAWS, EXACT = 400, 1e12


def told(family, module, positions, directions):
    """Return B'B of all views (k, k) of the design from positions, for noise of 1 px."""
    unknowns = family.count + PER_SHOT * len(positions)
    total = np.zeros((unknowns, unknowns))
    for shot, label in enumerate(positions):
        for channel in module.channels:
            said = reach_lattice(channel, directions, margin_deg=(0.5, 7.0))
            for colour in module.colours:
                pixel, tangent, place = traced(family.design, channel, colour, said, label[None])
                seen = Seen(channel.name, colour.name, pixel, tangent, place)
                view = view_of(family, seen, shot, PosePrior())
                total[np.ix_(view.places, view.places)] += view.matrix.T @ view.matrix
    return total


def seam_slopes(family, module):
    """Return what each coefficient moves the channels against each other (2, n, count), arcmin."""
    pupil = np.random.default_rng(3).uniform(-1.0, 1.0, (PUPILS, 3)) * module.eye_box.half_mm
    number = len(module.colours) // 2
    middle = np.radians(
        np.stack(np.meshgrid(np.linspace(-4, 4, 7), np.linspace(-12, 12, 9)), -1).reshape(-1, 2)
    )
    seen = [
        traced(family.design, one, module.colours[number], np.tan(middle), pupil, whole=True)
        for one in module.channels
    ]
    good = np.all([np.isfinite(pixel).all(axis=1) for pixel, _, _ in seen], axis=0)
    moved = np.zeros((2, int(good.sum()), family.count))
    for sign, channel, (pixel, tangent, label) in zip((1.0, -1.0), module.channels, seen, strict=True):
        own, reference = family.channels[channel.name], label[good, :2] - label[good, 2:] * tangent[good]
        moved[:, :, family.places_of(channel.name)] += sign * own.basis.sums(
            pixel[good], reference, own.modes[number]
        ).transpose(0, 2, 1)
    return ARCMIN_PER_RADIAN * moved


def report(name, moved, matrix, noise_px, prior):
    """Print RMS, median and 95th percentile of the seam error that a posterior leaves."""
    count = moved.shape[2]
    covariance = np.linalg.inv(matrix / noise_px**2 + prior)[:count, :count]
    values, vectors = np.linalg.eigh(covariance)
    random = np.random.default_rng(6).normal(size=(count, DRAWS))
    drawn = vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * random)
    length = np.linalg.norm(moved @ drawn, axis=0)
    rms, middle, high = np.sqrt(np.mean(length**2)), np.median(length), np.quantile(length, 0.95)
    print(f"  {name}: {rms:.3f} RMS, {middle:.3f} median, {high:.3f} arcmin p95", flush=True)


def best_pair(family, moved):
    """Print what the best pair of candidate positions for the seam leaves, and the middle of all pairs."""
    told = Told(family, PositionsSettings())
    candidates = box_lattice(*family.pupil_box_mm, candidate_counts(family))
    every = np.stack([told.by(place) for place in candidates])
    weight = np.einsum("cnk,cnl->kl", moved, moved) / moved.shape[1]
    prior, found = np.eye(family.count), []
    for one in range(len(every)):
        for other in range(one, len(every)):
            covariance = np.linalg.inv(every[one] + every[other] + prior)
            found.append((float(np.sqrt(np.sum(covariance * weight))), one, other))
    found.sort()
    for name, (_, one, other) in (("best", found[0]), ("middle", found[len(found) // 2])):
        where = f"{candidates[one].tolist()} and {candidates[other].tolist()}"
        report(f"{name} of {len(found)} pairs, {where}", moved, every[one] + every[other], 1.0, prior)


def shift_alone(family, module):
    """Print what a common shift of two shots, 0.1 mm / sqrt(2) per axis, does to the seam, by the trace."""
    pupil = np.random.default_rng(3).uniform(-1.0, 1.0, (PUPILS, 3)) * module.eye_box.half_mm
    colour = module.colours[len(module.colours) // 2]
    middle = np.radians(
        np.stack(np.meshgrid(np.linspace(-4, 4, 7), np.linspace(-12, 12, 9)), -1).reshape(-1, 2)
    )
    slopes = []
    for channel in module.channels:
        ends = []
        for turned in (np.zeros(2), np.array([1e-3, 0.0]), np.array([0.0, 1e-3])):
            pixel, _, _ = traced(family.design, channel, colour, np.tan(middle) + turned, pupil, whole=True)
            ends.append(pixel)
        per_tangent = np.stack([(ends[1] - ends[0]) / 1e-3, (ends[2] - ends[0]) / 1e-3], axis=-1)
        columns = []
        for axis in np.eye(3):
            pixel, _, _ = traced(
                family.design, channel, colour, np.tan(middle), pupil + 0.05 * axis, whole=True
            )
            # At a fixed panel point the direction moves against the panel point at a fixed direction.
            columns.append(-np.linalg.solve(per_tangent, (pixel - ends[0])[..., None])[..., 0] / 0.05)
        slopes.append(np.stack(columns, axis=-1))
    apart = slopes[0] - slopes[1]
    apart = apart[np.isfinite(apart).all(axis=(1, 2))]
    drawn = 0.1 / np.sqrt(2.0) * np.random.default_rng(6).normal(size=(3, DRAWS))
    length = ARCMIN_PER_RADIAN * np.linalg.norm(apart @ drawn, axis=1)
    rms, half, high = np.sqrt(np.mean(length**2)), np.median(length), np.quantile(length, 0.95)
    print(f"a common shift alone, by the trace: {rms:.3f} RMS, {half:.3f} median, {high:.3f} arcmin p95")


def pose_prior(count, shots, *, offset=1.0, turn=1.0, common=()):
    """Return the prior precision: poses better known by factors; of the axes `common` what all shots share is
    known.
    """
    scale = np.ones(PER_SHOT)
    scale[OFFSET], scale[TURN] = 1.0 / offset**2, 1.0 / turn**2
    prior = np.diag(np.concatenate([np.ones(count), np.tile(scale, shots)]))
    for axis in common:
        vector = np.zeros(len(prior))
        vector[count + axis :: PER_SHOT] = 1.0 / np.sqrt(shots)
        prior += EXACT * np.outer(vector, vector)
    return prior


def main():
    """Print what bounds the seam."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("family", type=Path)
    asked = parser.parse_args()
    family, module = read_family(asked.family), read_module(CALIB / "folded.module.toml")
    moved, count = seam_slopes(family, module), family.count
    regular = module.eye_box.lattice((5, 5, 1))
    for name, positions in (("two", TWO), ("two, chosen", CHOSEN), ("25", regular)):
        matrix, shots = told(family, module, positions, (19, 17)), len(positions)
        print(f"{name} positions, noise 0.05 px unless stated:")
        for what, noise_px, known in (
            ("0.1 mm, 1 arcmin", 0.05, {}),
            ("noise 0.02 px", 0.02, {}),
            ("noise 0.01 px", 0.01, {}),
            ("noise 0.001 px", 0.001, {}),
            ("pointing exact", 0.05, {"turn": 1e-6}),
            ("places exact", 0.05, {"offset": 1e-6}),
            ("what shots share of places known", 0.05, {"common": range(3)}),
            ("what shots share of pointing known", 0.05, {"common": range(3, 6)}),
            ("places to 0.05 mm", 0.05, {"offset": 0.5}),
            ("places to 0.03 mm", 0.05, {"offset": 0.3}),
            ("places to 0.02 mm", 0.05, {"offset": 0.2}),
            ("places to 0.01 mm", 0.05, {"offset": 0.1}),
            ("all poses exact", 0.05, {"offset": 1e-6, "turn": 1e-6}),
        ):
            report(what, moved, matrix, noise_px, pose_prior(count, shots, **known))
    best_pair(family, moved)
    shift_alone(family, module)


if __name__ == "__main__":
    main()
