"""Is the seam figure of `accept` as sure as it says? Captures of traced units, held against packages.

`python -m tests.long.accept_seam FOLDER [--units 8] [DESIGN ...]`. FOLDER keeps the packages, each of the
demo's own grid of a design. Units of the folded design are off by a share of its tolerances, those of the
coaxial one, which has none, by `COAXIAL`. A capture has noise of 0.05 px; two channels, green. Truth: content
is drawn where the package's tables put it for the tracked pupil and seen, by the trace of the unit without
noise, from the true one, in the moments of eye movement and tracker that `accept` simulates. Last figures:
DEVELOPERS.md, "Acceptance and statistics".
"""

import argparse
import json
import multiprocessing
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from prewarp.acceptance.belonging import lookup_of
from prewarp.acceptance.place import noise_of
from prewarp.acceptance.predicted import held_against
from prewarp.acceptance.seam import meetings, seam_figure
from prewarp.acceptance.seam_moments import seam_moments
from prewarp.acceptance.tables_as_fields import TableField
from prewarp.budget.eye import EyeMotion, eye_path, slips
from prewarp.budget.simulate import LEAD_S
from prewarp.frames import arcmin_step
from prewarp.lookup.device_light import PreparedLight
from prewarp.module import read_module
from prewarp.trace import built_design, departures, read_design, trace_channel
from prewarp.trace.built import Departure
from prewarp.tracker import Tracker
from tests.long.accept_sigma import CALIB, captured, package_of
from tests.long.accept_sigma import positions as on_lattice

NOISE_PX, COLOUR = 0.05, "G"
COUNTS, PARTS = (2, 5, 9), 20
MARGIN_DEG = 4.0
SHARES = {"folded": (0.0, 0.1, 1.0), "coaxial": (0.0, 0.3, 1.0)}
# 1-sigma by which units of the coaxial design differ: surface (-1: the panel), key, entries, amount.
COAXIAL = (
    (-1, "decentre_mm", (0, 1), 0.03),
    (-1, "tilt_deg", (0, 1, 2), 0.05),
    (-1, "gap_mm", (None,), 0.03),
    (2, "decentre_mm", (0, 1), 0.02),
    (5, "decentre_mm", (0, 1), 0.02),
)


def differing(name, design):
    """Return what of a design differs from unit to unit."""
    if name == "folded":
        return departures(design)
    return tuple(
        Departure(channel.name, place, key, entry, sigma, f"{place} {key} {entry}")
        for channel in design.channels
        for place, key, entries, sigma in COAXIAL
        for entry in entries
    )


def positions(count, half):
    """Return so many positions: on a diagonal, the centre and four about it, or a square lattice."""
    if count != 5:
        return on_lattice(count, half)
    return np.concatenate([np.zeros((1, 3)), on_lattice(4, half)])


class Seen:
    """Moments of the seam of a package: directions, pupils, and the panel points where content is drawn."""

    def __init__(self, lookup, module, count):
        self.module, tracker, half = module, Tracker(), module.eye_box.half_mm[:, None]
        fields = [TableField(lookup, one.name, COLOUR) for one in module.channels]
        assert len(fields) == 2
        # Eye movement of its own: that of `accept` is one of many. A fixation for every moment or two.
        random, motion = np.random.default_rng(5), EyeMotion()
        path = eye_path(motion, random, count=count // 2)
        time = LEAD_S + (path.length_s - LEAD_S) * random.random(count)
        slip, drift = slips(motion, random, count)
        late = (tracker.latency_ms + random.random(count) * 1000.0 / tracker.rate_hz) / 1000.0
        pupil = path.turned_mm(time) + slip
        off_mm = np.hypot(tracker.accuracy_mm, tracker.noise_mm) * random.standard_normal((3, count))
        off_mm[2] *= tracker.depth_ratio
        tracked = np.clip(path.turned_mm(time - late) + slip - late * drift + off_mm, -half, half)
        inside = np.all(np.abs(pupil) <= half, axis=0)
        self.pupil, tracked = pupil.T[inside], tracked.T[inside]
        self.tangent = shared_directions(fields, module, len(self.pupil), random)
        points = [one.inverse(self.tangent[None], pupil_mm=tracked[None]) for one in fields]
        good = np.all([one.valid[0] for one in points], axis=0)
        assert good.mean() > 0.99, good.mean()
        self.tangent, self.pupil = self.tangent[good], self.pupil[good]
        self.pixel = np.stack([one.pixel[0, good] for one in points])
        self.said = np.stack(
            [
                one.forward(pixel[None], pupil_mm=self.pupil[None])[0]
                for one, pixel in zip(fields, self.pixel, strict=True)
            ]
        )

    def of(self, unit):
        """Return the seam error that 95 % of the moments stay under, arcmin, of a unit as it is traced.

        `true`, and how `unsure` it is by parts of the moments; `package`: of the tables alone; `right`: with
        a tracker without error; `apart`: with the unit's own steps shuffled among moments.
        """
        shown = [
            self.shown(unit, channel, pixel)
            for channel, pixel in zip(self.module.channels, self.pixel, strict=True)
        ]
        said, step = arcmin_step(*self.said), arcmin_step(*shown)
        seen = np.isfinite(step[:, 0])
        assert seen.mean() > 0.98, seen.mean()
        said, step = said[seen], step[seen]
        own = step - said
        parts = [p95(one) for one in np.array_split(step, PARTS)]
        return {
            "true": p95(step),
            "unsure": float(np.std(parts, ddof=1) / np.sqrt(PARTS)),
            "package": p95(said),
            "right": p95(own),
            "apart": p95(said + np.random.default_rng(2).permutation(own)),
        }

    def shown(self, unit, channel, pixel):
        """Return the directions (n, 2) in which a unit shows panel points (n, 2), by Newton's method."""
        (colour,) = (one for one in self.module.colours if one.name == COLOUR)

        def at(tangent):
            return trace_channel(
                unit.channel(channel.name),
                channel.panel,
                tangent,
                pupil_mm=self.pupil,
                wavelength_nm=colour.wavelength_nm,
            ).pixel

        here = self.tangent.copy()
        slope = np.stack([(at(here + step) - at(here - step)) / 2e-3 for step in 1e-3 * np.eye(2)], axis=-1)
        for _ in range(3):
            here += np.linalg.solve(slope, (pixel - at(here))[..., None])[..., 0]
        missed = np.linalg.norm(at(here) - pixel, axis=1)
        assert np.nanmax(missed) < 1e-2, np.nanmax(missed)
        return here


def p95(step):
    """Return the length that 95 % of steps (n, 2) stay under."""
    return float(np.quantile(np.linalg.norm(step, axis=1), 0.95))


def shared_directions(fields, module, count, random):
    """Return so many directions (count, 2), tangents, that both channels show from all of the eye box."""
    reach = np.array([[one.reach.dir_x_deg, one.reach.dir_y_deg] for one in module.channels])
    # Panels show more than the reach that the module states.
    low = np.tan(np.radians(reach[..., 0].max(axis=0) - MARGIN_DEG))
    high = np.tan(np.radians(reach[..., 1].min(axis=0) + MARGIN_DEG))
    kept = np.zeros((0, 2))
    while len(kept) < count:
        every = low + (high - low) * random.random((4000, 2))
        for pupil in module.eye_box.corners:
            every = every[PreparedLight(fields[0].lookup, pupil).lit(every).all(axis=0)]
        kept = np.concatenate([kept, every])
    return kept[:count]


def judged(fresh, lookup, moments):
    """Return the seam figure of a capture."""
    groups = held_against(fresh, lookup).groups
    (found,) = meetings(groups, {(one.channel, one.colour): noise_of(one) for one in groups})
    return seam_figure(found, moments, lookup, True, "", None)


@cache
def parts_of(name, folder):
    """Return module, design, what differs, and the lookup of a design's package."""
    module = read_module(CALIB / f"{name}.module.toml")
    design = read_design(CALIB / f"{name}.design.toml")
    return module, design, differing(name, design), lookup_of(package_of(name, module, folder))


@cache
def moments_of(name, asked):
    """Return the moments of a design's package."""
    module, _, _, lookup = parts_of(name, asked.folder)
    return Seen(lookup, module, asked.moments)


def unit_of(name, share, number, folder):
    """Return one unit; without a share the design itself."""
    _, design, which, _ = parts_of(name, folder)
    amounts = share * np.random.default_rng([23, number]).normal(size=len(which))
    return built_design(design, which, amounts * [one.sigma for one in which])


def truth_of(job):
    """Return what a unit truly is."""
    name, share, number, asked = job
    return moments_of(name, asked).of(unit_of(name, share, number, asked.folder))


def judged_of(job):
    """Return the figures of a unit by numbers of positions: value, sigma and parts, arcmin."""
    name, share, number, asked = job
    module, _, _, lookup = parts_of(name, asked.folder)
    unit, half = unit_of(name, share, number, asked.folder), np.array(module.eye_box.half_mm)
    found = {}
    for count in COUNTS:
        fresh = captured(unit, module, positions(count, half), (17, 15), NOISE_PX, number)
        names = tuple(one.name for one in module.channels)
        one = judged(fresh, lookup, seam_moments(names, lookup, module.eye_box, Tracker(), seed=number))
        found[count] = {"value": one.value, "sigma": one.sigma, **one.parts}
    return found


@dataclass(frozen=True)
class Asked:
    """What a run is asked for."""

    folder: Path
    moments: int


def main():
    """Print how far off the figure is, over what it states."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("designs", nargs="*", default=list(SHARES))
    parser.add_argument("--units", type=int, default=8)
    parser.add_argument("--moments", type=int, default=60_000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--table", type=Path, help="JSON of every unit; truths in it are taken as they are")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    asked = Asked(given.folder, given.moments)
    for name in given.designs:
        parts_of(name, given.folder)
    jobs = [
        (name, share, number, asked)
        for name in given.designs
        for share in SHARES[name]
        for number in range(given.units)
    ]
    known = json.loads(given.table.read_text()) if given.table and given.table.exists() else {}
    truths = {key_of(job): one["truth"] for job in jobs if (one := known.get(key_of(job)))}
    # Design for design, so that a process makes few sets of moments; the design itself is one unit.
    lacking = [job for job in jobs if key_of(job) not in truths and (job[1] or not job[2])]
    with multiprocessing.get_context("spawn").Pool(given.jobs) as pool:
        truths |= dict(zip(map(key_of, lacking), pool.map(truth_of, lacking, chunksize=1), strict=True))
        found = pool.map(judged_of, jobs, chunksize=1)
    every = {}
    for job, one in zip(jobs, found, strict=True):
        name, share, number, _ = job
        truth = truths[key_of((name, share, number if share else 0, asked))]
        every[key_of(job)] = {"truth": truth, "found": one}
    if given.table:
        given.table.write_text(json.dumps(known | every, indent=1))
    for name in given.designs:
        for share in SHARES[name]:
            told(name, share, [every[key_of((name, share, number, asked))] for number in range(given.units)])


def key_of(job):
    """Return the name of a unit in a table."""
    name, share, number, asked = job
    return f"{name} {share:g} {number} {asked.moments}"


def told(name, share, units):
    """Print the figures of some units."""
    truth = {key: np.array([one["truth"][key] for one in units]) for key in units[0]["truth"]}
    print(f"{name}, {share:g}:", ", ".join(f"{key} {value.mean():.4f}" for key, value in truth.items()))
    for count in COUNTS:
        found = [one["found"][count] for one in units]
        value, sigma = (np.array([one[key] for one in found]) for key in ("value", "sigma"))
        error, parts = value - truth["true"], [key for key in found[0] if key not in ("value", "sigma")]
        over = error / sigma
        print(
            f"  {count} positions: error {error.mean():+.4f} +- {error.std():.4f}, sigma {sigma.mean():.4f}; "
            f"over sigma RMS {np.sqrt(np.mean(over**2)):.2f}, mean {over.mean():+.2f}, "
            f"too small by more than 2: {100.0 * np.mean(over < -2.0):.0f} %;",
            ", ".join(f"{key} {np.sqrt(np.mean([one[key] ** 2 for one in found])):.4f}" for key in parts),
            flush=True,
        )


if __name__ == "__main__":
    main()
