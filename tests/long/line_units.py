"""Units of a line against their trace: `python -m tests.long.line_units CACHE [--units 60] [--faults 20]`.

The folded demo's optics, each unit off by the tolerances of its design file; 19 x 17 directions, 0.05 px of
noise, cameras 0.1 mm and 1 arcmin off. CACHE keeps the family and the grids. Held-out errors are at 20 pupils
over the whole eye box after the seven common motions; the seam as it is. Last figures: DEVELOPERS.md,
"A family of units".
"""

import argparse
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.frames import ARCMIN_PER_RADIAN, cosine_from_tangent, unit_from_tangent
from prewarp.grids import read_grid, write_grid
from prewarp.line.flags import THRESHOLD, flags_of
from prewarp.line.from_design import family_from_design
from prewarp.line.moved import MovedFields
from prewarp.line.rows import PosePrior, Seen, view_of
from prewarp.line.solve import solved
from prewarp.line.storage import read_family, write_family
from prewarp.line.unit import LineSettings, UnitWork
from prewarp.module import read_module
from prewarp.quality.units_table import FLAGS
from prewarp.trace import reach_lattice, read_design, trace_channel
from tests.line_units import captured_unit, faulty_unit, unit_design

CALIB = Path(__file__).resolve().parents[2] / "calib"
TWO = np.array([[-2.0, -1.5, 0.0], [2.0, 1.5, 0.0]])
FAULTS = ("spacing", "glass", "ripple")
PUPILS = 20


@dataclass(frozen=True)
class HeldOut:
    """Errors of place (2 n,), px, without seven motions, and of the seam (m,), arcmin; RMS that is claimed of
    both for the same points.
    """

    place: np.ndarray
    seam: np.ndarray
    place_claimed: float
    seam_claimed: float


def held_out(unit, module, family, found):
    """Return what a unit's map is off by over the whole eye box."""
    pupil = np.random.default_rng(3).uniform(-1.0, 1.0, (PUPILS, 3)) * module.eye_box.half_mm
    colour = module.colours[len(module.colours) // 2]
    place = family.colours.index(colour.name)
    errors, motions, modes = [], [], []
    fields = MovedFields(family).expansions(found.mean[: family.count])
    covariance = found.covariance[: family.count, : family.count]
    for channel in module.channels:
        said = reach_lattice(channel, (13, 11))
        seen, tangent, label = traced(unit, channel, colour, said, pupil)
        view = view_of(family, Seen(channel.name, colour.name, seen, tangent, label), 0, PosePrior(1.0, 60.0))
        field, reference = fields[channel.name, colour.name], label[:, :2] - label[:, 2:] * tangent
        value, jacobian = field.values_and_jacobian(seen, reference)
        missed = (value.T - cosine_from_tangent(tangent))[..., None]
        errors.append(np.linalg.solve(np.moveaxis(jacobian, -1, 0), missed).reshape(-1))
        whole = np.zeros((len(view.side), family.count))
        whole[:, family.places_of(channel.name)] = view.matrix[:, :-6]
        modes.append(whole)
        poses = view.matrix[:, -6:]
        twice = np.repeat(label, 2, axis=0)
        turns = [
            poses[:, 3 + a] * np.degrees(1.0) + np.sum(poses[:, :3] * np.cross(axis, twice), axis=1)
            for a, axis in enumerate(np.eye(3))
        ]
        motions.append(np.column_stack([poses[:, :3], *turns, np.sum(poses[:, :3] * twice, axis=1)]))
    motions, modes = np.concatenate(motions), np.concatenate(modes)
    error, matrix = removed(np.concatenate(errors), motions), removed(modes, motions)
    rest = np.mean([one.rest_px**2 for one in family.channels.values()])
    claimed = np.sqrt(2.0 * np.mean(np.sum((matrix @ covariance) * matrix, axis=1)) + rest)
    middle = np.radians(
        np.stack(np.meshgrid(np.linspace(-4, 4, 7), np.linspace(-12, 12, 9)), -1).reshape(-1, 2)
    )
    places = [traced(unit, channel, colour, np.tan(middle), pupil, whole=True) for channel in module.channels]
    good = np.all([np.isfinite(seen).all(axis=1) for seen, _, _ in places], axis=0)
    shown, moved = [], np.zeros((2, int(good.sum()), family.count))
    for sign, channel, (seen, tangent, label) in zip((1.0, -1.0), module.channels, places, strict=True):
        field = fields[channel.name, colour.name]
        reference = label[good, :2] - label[good, 2:] * tangent[good]
        cosine = field.values(seen[good], reference).T
        shown.append(np.column_stack([cosine, np.sqrt(1.0 - np.sum(cosine**2, axis=1))]))
        own = family.channels[channel.name]
        moved[:, :, family.places_of(channel.name)] += sign * own.basis.sums(
            seen[good], reference, own.modes[place]
        ).transpose(0, 2, 1)
    assert np.allclose(unit_from_tangent(tangent[good]), shown[0], atol=0.02)
    seam = np.linalg.norm(shown[0] - shown[1], axis=1) * ARCMIN_PER_RADIAN
    spread = np.einsum("cni,ij,cnj->n", moved, covariance, moved, optimize=True)
    return HeldOut(error, seam, float(claimed), float(np.sqrt(np.mean(spread))) * ARCMIN_PER_RADIAN)


def traced(unit, channel, colour, said, pupil, *, whole=False):
    """Return pixels, tangents and pupils (n, ...) of rays; with `whole` those that are lost too, as NaN."""
    found = trace_channel(
        unit.channel(channel.name),
        channel.panel,
        said[None],
        pupil_mm=pupil[:, None],
        wavelength_nm=colour.wavelength_nm,
    )
    kept = np.ones_like(found.valid) if whole else found.valid
    shape = kept.shape
    return (
        found.pixel[kept],
        np.broadcast_to(said, (*shape, 2))[kept],
        np.broadcast_to(pupil[:, None], (*shape, 3))[kept],
    )


def removed(error, motions):
    """Return the error without what seven motions explain."""
    basis, _ = np.linalg.qr(motions / np.maximum(np.linalg.norm(motions, axis=0), 1e-12))
    return error - basis @ (basis.T @ error)


def grid_of(cache, name, make):
    """Return a grid from the cache, made where it is not there."""
    path = cache / f"{name}.npz"
    if not path.exists():
        write_grid(path, make())
    return read_grid(path)


def main():
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cache", type=Path)
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--faults", type=int, default=20)
    asked = parser.parse_args()
    asked.cache.mkdir(parents=True, exist_ok=True)
    module, design = read_module(CALIB / "folded.module.toml"), read_design(CALIB / "folded.design.toml")
    with threadpool_limits(1, user_api="blas"):
        if not (asked.cache / "family.npz").exists():
            start = time.process_time()
            write_family(asked.cache / "family.npz", family_from_design(design, module, progress=print))
            print(f"family: {time.process_time() - start:.0f} s of one core")
        family = read_family(asked.cache / "family.npz")
        for name, one in family.channels.items():
            print(f"{name}: {len(one.labels)} tolerances, rest {one.rest_px:.4f} px")
        five = np.concatenate([[[0.0, 0.0, 0.0]], [[x, y, 0.0] for x in (-3.0, 3.0) for y in (-2.2, 2.2)]])
        regular = module.eye_box.lattice((5, 5, 1))
        for name, places, units in (("two", TWO, asked.units), ("five", five, 8), ("25", regular, 8)):
            report(asked.cache, name, places, min(units, asked.units), family, design, module)
        work = UnitWork(family, LineSettings())
        for fault in FAULTS:
            out, inside, figure, either = 0, 0, 0, 0
            for number in range(asked.faults):
                unit = faulty_unit(unit_design(design, 5000 + number), fault, number)
                grid = grid_of(
                    asked.cache,
                    f"{fault}{number}",
                    lambda unit=unit, n=number: captured_unit(unit, module, TWO, n),
                )
                views, shots = work.views(grid)
                found = solved(family, views, shots, PosePrior())
                flags = flags_of(found, family)
                out += flags.outside_p < THRESHOLD
                inside += flags.inside_p < THRESHOLD
                figure += flags.figure_p < THRESHOLD
                either += not flags.fits
            print(
                f"{fault}: flagged outside {out}, inside {inside}, figure {figure}, any {either}",
                f"of {asked.faults}",
                flush=True,
            )


def report(cache, name, places, units, family, design, module):
    """Print errors, claims and flags of units captured from some positions."""
    work = UnitWork(family, LineSettings())
    lengths, seams, ratios, seam_ratios, raised, spent = [], [], [], [], np.zeros(4, int), 0.0
    for number in range(units):
        unit = unit_design(design, number)
        grid = grid_of(
            cache, f"{name}_{number}", lambda u=unit, n=number: captured_unit(u, module, places, n)
        )
        start = time.process_time()
        views, shots = work.views(grid)
        found = solved(family, views, shots, PosePrior())
        flags = flags_of(found, family)
        spent += time.process_time() - start
        seen = held_out(unit, module, family, found)
        lengths.append(np.linalg.norm(seen.place.reshape(-1, 2), axis=1))
        seams.append(seen.seam)
        ratios.append(np.mean(lengths[-1] ** 2) / seen.place_claimed**2)
        seam_ratios.append(np.mean(seen.seam**2) / seen.seam_claimed**2)
        raised += [getattr(flags, name) < THRESHOLD for name in FLAGS] + [not flags.fits]
    every, seam = np.concatenate(lengths), np.concatenate(seams)
    median, high, rms = np.median(every), np.quantile(every, 0.95), np.sqrt(np.mean(every**2))
    print(f"{name}: {units} units; held out {median:.4f} px median, {high:.4f} p95, {rms:.4f} RMS")
    print(f"  seen over claimed {np.sqrt(np.mean(ratios)):.2f}; {spent / units:.2f} s of one core a unit")
    print(f"  seam {np.median(seam):.3f} median, {np.quantile(seam, 0.95):.3f} arcmin p95,", end=" ")
    print(f"{seen.seam_claimed:.3f} claimed RMS, seen over claimed {np.sqrt(np.mean(seam_ratios)):.2f}")
    print(f"  flagged outside, inside, figure, any: {raised.tolist()}", flush=True)


if __name__ == "__main__":
    main()
