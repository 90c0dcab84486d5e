"""Families from fits of earlier units: `python -m tests.long.line_learned CACHE [--processes 8] [--sets 6]`.

The folded demo's optics, each unit off by the tolerances of its design file. Earlier units: 25 positions, z
+-2 mm in a checker, 0.05 px of noise, cameras 0.1 mm and 1 arcmin off, fitted with free poses; sets of 60 and
of 200 of them, and one of 60 fitted with poses as labelled. New units from two positions and from five, and
units with faults, as in `tests.long.line_units`; held out over the eye box, the same units judged by the
tolerances beside it. CACHE keeps fits and grids. Last figures: DEVELOPERS.md, "A family of units".
"""

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.field import fit_grid
from prewarp.line.flags import THRESHOLD, flags_of
from prewarp.line.from_design import family_from_design
from prewarp.line.from_fits import family_from_fits
from prewarp.line.rows import PosePrior
from prewarp.line.solve import solved
from prewarp.line.storage import read_family, write_family
from prewarp.line.unit import LineSettings, UnitWork
from prewarp.module import read_module
from prewarp.poses import free_poses
from prewarp.quality.units_table import FLAGS
from prewarp.trace import read_design
from tests.line_units import OFFSET_MM, TURN_ARCMIN, captured_unit, faulty_unit, unit_design
from tests.long.line_units import CALIB, FAULTS, TWO, grid_of, held_out

FIRST = 20_000
UNITS, FAULTY, FIVE_UNITS, CHUNK = 120, 20, 16, 20
FIVE = np.array([[0.0, 0.0, 0.0], [-3.0, -2.2, 0.0], [-3.0, 2.2, 0.0], [3.0, -2.2, 0.0], [3.0, 2.2, 0.0]])


@cache
def optics():
    """Return the module and the design."""
    return read_module(CALIB / "folded.module.toml"), read_design(CALIB / "folded.design.toml")


def places():
    """Return the 25 camera positions of earlier units."""
    lattice = optics()[0].eye_box.lattice((5, 5, 1)).copy()
    lattice[:, 2] = 2.0 * (-1.0) ** (np.arange(25) // 5 + np.arange(25) % 5)
    return lattice


def fit_of(cache_folder, number, labelled):
    """Fit an earlier unit."""
    path = cache_folder / ("labelled" if labelled else "fits") / f"E{number}.npz"
    if path.exists():
        return
    module, design = optics()
    grid = captured_unit(unit_design(design, FIRST + number), module, places(), FIRST + number)
    sizes = module.panel_sizes_px
    if labelled:
        fields = fit_grid(grid, panel_size_px=sizes)
    else:
        found = free_poses(grid, panel_size_px=sizes, stage_mm=OFFSET_MM, turn_arcmin=TURN_ARCMIN)
        fields = fit_grid(found.moved(grid), panel_size_px=sizes, pupils_estimated=True)
        fields = found.stated_in(fields)
    fields.save(path)


def family_of(cache_folder, name, numbers):
    """Make a family."""
    path = cache_folder / f"{name}.family.npz"
    if path.exists():
        return
    module, design = optics()
    if numbers is None:
        write_family(path, family_from_design(design, module))
        return
    folder = cache_folder / ("labelled" if "labelled" in name else "fits")
    write_family(path, family_from_fits({f"E{k}": folder / f"E{k}.npz" for k in numbers}, module))


def judged(cache_folder, name, kind, numbers):
    """Return of units by a family: chances of flags; lengths, seam and their shares of claims where right."""
    module, design = optics()
    family = read_family(cache_folder / f"{name}.family.npz")
    work, chances, places, seams, ratios, seam_ratios = UnitWork(family, LineSettings()), [], [], [], [], []
    for number in numbers:
        fault = kind in FAULTS
        unit = unit_design(design, 5000 + number if fault else number)
        unit = faulty_unit(unit, kind, number) if fault else unit
        where = FIVE if kind == "five" else TWO
        grid = grid_of(
            cache_folder,
            f"{kind}{number}" if fault else f"{kind}_{number}",
            lambda u=unit, n=number, at=where: captured_unit(u, module, at, n),
        )
        views, shots = work.views(grid)
        found = solved(family, views, shots, PosePrior())
        chances.append([getattr(flags_of(found, family), one) for one in FLAGS])
        if not fault:
            seen = held_out(unit, module, family, found)
            lengths = np.linalg.norm(seen.place.reshape(-1, 2), axis=1)
            places.append(lengths)
            seams.append(seen.seam)
            ratios.append(np.mean(lengths**2) / seen.place_claimed**2)
            seam_ratios.append(np.mean(seen.seam**2) / seen.seam_claimed**2)
    return kind, chances, places, seams, ratios, seam_ratios


def guarded(work, *asked):
    """Call with one thread."""
    with threadpool_limits(1, user_api="blas"):
        return work(*asked)


def report(name, parts):
    """Print the figures of a family."""
    print(name, flush=True)
    for kind in ("two", "five", *FAULTS):
        mine = [part for part in parts if part[0] == kind]
        if not mine:
            continue
        chances = np.concatenate([part[1] for part in mine])
        raised = (chances < THRESHOLD).sum(axis=0).tolist(), int((chances.min(axis=1) < THRESHOLD).sum())
        text = f"  {kind}: {len(chances)} units, flagged {raised[0]}, any {raised[1]}"
        if kind in ("two", "five"):
            place, seam = (np.concatenate([one for part in mine for one in part[k]]) for k in (2, 3))
            ratio, seam_ratio = (np.sqrt(np.mean([one for part in mine for one in part[k]])) for k in (4, 5))
            text += (
                f"; place {np.median(place):.4f} median, {np.quantile(place, 0.95):.4f} p95, seen over "
                f"claimed {ratio:.2f}; seam {np.median(seam):.3f}, {np.quantile(seam, 0.95):.3f} p95, "
                f"{seam_ratio:.2f}"
            )
        print(text, flush=True)


def main():
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cache", type=Path)
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    parser.add_argument("--sets", type=int, default=6, help="sets of 60 units; of 200 a third as many")
    parser.add_argument("--units", type=int, default=UNITS)
    asked = parser.parse_args()
    for name in ("fits", "labelled"):
        (asked.cache / name).mkdir(parents=True, exist_ok=True)
    sets = {f"60 from {60 * k}": range(60 * k, 60 * k + 60) for k in range(asked.sets)}
    sets |= {f"200 from {200 * k}": range(200 * k, 200 * k + 200) for k in range(max(1, asked.sets // 3))}
    sets |= {"60 labelled": range(60), "tolerances": None}
    numbers = sorted({k for name, one in sets.items() if one is not None for k in one})
    with ProcessPoolExecutor(asked.processes) as pool:
        designed = pool.submit(guarded, family_of, asked.cache, "tolerances", None)
        jobs = [pool.submit(guarded, fit_of, asked.cache, k, False) for k in numbers]
        jobs += [pool.submit(guarded, fit_of, asked.cache, k, True) for k in sets["60 labelled"]]
        for job in (*jobs, designed):
            job.result()
        print("fitted", flush=True)
        jobs = [pool.submit(guarded, family_of, asked.cache, name, one) for name, one in sets.items()]
        for job in jobs:
            job.result()
        print("families made", flush=True)
        kinds = [("two", asked.units), ("five", FIVE_UNITS), *((fault, FAULTY) for fault in FAULTS)]
        chunks = [
            (name, kind, range(start, min(start + CHUNK, count)))
            for kind, count in kinds
            for start in range(0, count, CHUNK)
            for name in ("tolerances", *(one for one in sets if one != "tolerances"))
        ]
        # The first of each kind fills the cache of grids.
        first = [
            pool.submit(guarded, judged, asked.cache, *chunk) for chunk in chunks if chunk[0] == "tolerances"
        ]
        done = [("tolerances", job.result()) for job in first]
        later = [chunk for chunk in chunks if chunk[0] != "tolerances"]
        jobs = [(chunk[0], pool.submit(guarded, judged, asked.cache, *chunk)) for chunk in later]
        done += [(name, job.result()) for name, job in jobs]
    for name in sets:
        report(name, [part for owner, part in done if owner == name])
        learned = read_family(asked.cache / f"{name}.family.npz").learned
        if learned is not None:
            print(f"  {learned}", flush=True)


if __name__ == "__main__":
    main()
