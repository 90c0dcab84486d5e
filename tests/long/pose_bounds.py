"""How good found poses can be at best: `python -m tests.long.pose_bounds [CASE ...]`; seconds a case.

Covariance of field and poses together (Cramer-Rao, normal noise of the known size, the poses' stated prior),
at the poses that the stage truly had, carried to held-out rays; over that of the field alone at known poses.
Field: the columns that the pose search chooses, the pulled degree too, every channel and colour with its own;
common wavefronts besides, as far as its mirror symmetries leave them. Shift, turn and scale are removed, in
one plane also one turn per pupil position. Cases of `tests.long.free_poses`.

    N = [F E J]' W [F E J] + prior,  C = N^-1,  ratio^2 = tr(M a C a' M) / tr(M a (F'WF)^-1 a' M)

with a the design rows of held-out rays and M what takes out those motions.

Figures of the last run, one draw each: two 1.37; six 1.13; deep 1.17; deep six 1.06; folded 1.51;
eyepiece 1.14; plane 1.50 (similarity alone removed 19.7, raw 43.6), other draws 1.38 to 1.62. For an exact
capture the bound is 1: that it is one can be found.
"""

import sys
from types import SimpleNamespace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.fitting.pupil import pupil_columns
from prewarp.frames import reference_pupil, unit_from_tangent
from prewarp.poses.calibrate import _leads, _rays, pose_pupil_degree
from prewarp.poses.columns import FieldColumns, ShotSums, one_block_a_shot, weighted_vectors
from prewarp.poses.estimate import solve_poses
from prewarp.poses.gauge import similarity_vectors
from prewarp.poses.prior import Prior
from prewarp.poses.rays import PER_SHOT, TURN, PlacedRays, Poses
from prewarp.poses.shots import shots_of
from prewarp.poses.truncation import next_degree_pull
from prewarp.poses.waves import common_waves
from tests.long.free_poses import CASES
from tests.poses.captures import NOISE_PX, SIGMA_MM, SIGMA_RAD, capture, held_out, pupil_lattice, stage_errors
from tests.poses.judging import panel_size

SEED = 1


def design(samples, model: FieldColumns) -> FloatArray:
    """Return every column of the field (m, 2, n) at samples."""
    table = pupil_columns(model.pupil_degree, samples.frame.half_mm)
    phi = samples.panel_basis(model.degree).values(samples.pixel)[model.columns.panel]
    psi = samples.frame.values(samples.reference_mm, model.pupil_degree)
    return np.stack([phi * (one @ psi)[model.columns.pupil] for one in (table.x, table.y)], axis=1)


def rows_and_motions(samples, expansion, model, place, kind) -> tuple[FloatArray, FloatArray, int]:
    """Return rows (m + f, 2 n), px, and motions to be removed (r, 2 n), px; how many rows are columns.

    `place` (unit, tangent, pupil_mm, group) of held-out rays.
    """
    unit, tangent, pupil_mm, group = place
    by_pupil = expansion.pupil_jacobian(samples.pixel, samples.reference_mm)
    placed = PlacedRays(samples, unit, tangent, pupil_mm[:, 2], np.zeros((2, 2, 1)))
    rows = np.concatenate(
        [design(samples, model), common_waves(placed, by_pupil, model.waves(model.pupil_degree))]
    )
    slopes = placed.slopes(by_pupil)
    count = int(group.max()) + 1
    _, first = np.unique(group, return_index=True)
    motions = similarity_vectors(pupil_mm[first]).reshape(7, count, PER_SHOT)
    moved = np.einsum("ran,acn->rcn", motions[:, group].transpose(0, 2, 1), slopes)
    if kind == "wavefront":
        turned = [slopes[TURN] * (group == k) for k in range(count)]
        moved = np.concatenate([moved, *turned])
    if kind == "":
        moved = moved[:0]
    _, jacobian = expansion.values_and_jacobian(samples.pixel, samples.reference_mm)
    to_px = np.linalg.inv(jacobian.transpose(2, 0, 1))
    rows, moved = (
        np.einsum("nij,mjn->min", to_px, one).reshape(len(one), 2 * len(unit)) for one in (rows, moved)
    )
    return rows, moved, model.columns.count


def bounds(name: str) -> dict[str, float]:
    """Return the ratio for each kind of motions removed."""
    depth, dots, colours, size, demo, _ = CASES[name]
    labels = pupil_lattice(depth)
    errors = stage_errors(25, np.random.default_rng(SEED), size=size)
    grid = capture(errors, labels, np.random.default_rng(SEED), name=demo, dots=dots, colours=colours)
    truth = held_out(name=demo, colours=colours, dots=11, depth_mm=min(depth, 2.0))
    shots = shots_of(grid)
    order = [int(np.argmin(np.linalg.norm(labels - one, axis=1))) for one in shots.label_mm]
    poses = Poses(errors.offset_mm[order], errors.turn_rad[order])
    pairs = grid.pairs()
    rays = [_rays(grid, shots, *pair, panel_size(demo), None) for pair in pairs]
    prior = Prior(SIGMA_MM, SIGMA_RAD)
    degree = pose_pupil_degree(shots, with_base=False)
    solution = solve_poses(rays, _leads(pairs, grid.reference_colour), shots.label_mm, prior, degree)
    model = solution.model
    unit = prior.units(len(shots))
    information, fields = np.eye(len(unit)), []
    for one, field, noise in zip(rays, solution.fields, solution.noise_px, strict=True):
        placed = one.at(poses)
        samples, expansion = placed.samples, field.expansion
        by_pupil = expansion.pupil_jacobian(samples.pixel, samples.reference_mm)
        _, jacobian = expansion.values_and_jacobian(samples.pixel, samples.reference_mm)
        to_px = np.linalg.inv(jacobian.transpose(2, 0, 1)) / NOISE_PX
        weights = np.einsum("nki,nkj->ijn", to_px, to_px)[[0, 0, 1], [0, 1, 1]]
        known = np.concatenate(
            [design(samples, model), common_waves(placed, by_pupil, model.waves(model.pupil_degree))]
        )
        slopes = placed.slopes(by_pupil)
        weighted = weighted_vectors(weights, known)
        normal = np.tensordot(weighted, known, ((1, 2), (1, 2)))
        pull = next_degree_pull(field.coefficients, field.variance, model.order, float(noise)) / noise**2
        normal[np.arange(len(pull)), np.arange(len(pull))] += pull
        sums = ShotSums(one.shot, len(shots))
        joint = sums.products(weighted, slopes).transpose(1, 0, 2).reshape(len(known), -1) * unit
        own = one_block_a_shot(sums.products(weighted_vectors(weights, slopes), slopes))
        solved = np.linalg.lstsq(normal, joint, rcond=1e-14)[0]
        information += own * unit * unit[:, None] - joint.T @ solved
        fields.append((expansion, samples, normal, solved))
    half = np.linalg.cholesky(np.linalg.inv(information))
    found = {}
    for kind in ("", "similarity", "wavefront") if depth == 0.0 else ("similarity",):
        parts = []
        for pair, (expansion, samples, normal, solved) in zip(pairs, fields, strict=True):
            good = np.isfinite(truth.pixel[pair]).all(axis=-1)
            group = np.broadcast_to(np.arange(len(good))[:, None], good.shape)[good]
            tangent, pupil_mm = truth.tangent[pair][good], truth.pupil_mm[group]
            seen = SimpleNamespace(
                pixel=truth.pixel[pair][good],
                reference_mm=reference_pupil(tangent, pupil_mm),
                frame=samples.frame,
                panel_basis=samples.panel_basis,
            )
            place = unit_from_tangent(tangent), tangent, pupil_mm, group
            parts.append((*rows_and_motions(seen, expansion, model, place, kind), normal, solved))
        removed = np.concatenate([part[1] for part in parts], axis=1)
        axes = np.linalg.svd(removed, full_matrices=False)[2] if len(removed) else removed
        edges = np.cumsum([part[1].shape[1] for part in parts])[:-1]
        free = known = 0.0
        carried = []
        for (rows, _, columns, normal, solved), own in zip(parts, np.split(axes, edges, axis=1), strict=True):
            for count in (len(rows), columns):
                inverse = np.linalg.pinv(normal[:count, :count], rcond=1e-14, hermitian=True)
                inside = own @ rows[:count].T
                trace = np.sum((inverse @ rows[:count]) * rows[:count]) - np.sum((inside @ inverse) * inside)
                if count == columns:
                    known += trace
                if count == len(rows):
                    free += trace
            carried.append(rows.T @ solved @ half)
        moved = np.concatenate(carried)
        moved -= axes.T @ (axes @ moved)
        found[kind or "raw"] = float(np.sqrt((free + np.sum(moved**2)) / known))
    return found


if __name__ == "__main__":
    for case in sys.argv[1:] or CASES:
        print(case, ", ".join(f"{kind} {ratio:.2f}" for kind, ratio in bounds(case).items()), flush=True)
