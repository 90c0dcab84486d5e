"""Is the seam figure of `accept` as sure as it says? Captures of traced units, held against packages.

`python -m tests.long.accept_seam FOLDER [--units 8] [DESIGN ...]`. FOLDER keeps the packages, each of the
demo's own grid of a design. Units of the folded design are off by a share of its tolerances, those of the
coaxial one, which has none, by `COAXIAL`. A capture has noise of 0.05 px; two channels, green. Truth: content
is drawn where the package's tables put it for the tracked pupil and seen, by the trace of the unit without
noise, from the true one, in the moments of eye movement and tracker that `accept` simulates. Last figures:
DEVELOPERS.md, "Acceptance and statistics".
"""

import argparse
from pathlib import Path

import numpy as np

from prewarp.acceptance.belonging import lookup_of
from prewarp.acceptance.place import noise_of
from prewarp.acceptance.predicted import held_against
from prewarp.acceptance.seam import meetings, seam_figure
from prewarp.acceptance.tables_as_fields import TableField
from prewarp.budget import Tracker
from prewarp.budget.scene import BudgetScene
from prewarp.budget.simulate import begin, draw_moments, effects_of, seam_steps
from prewarp.budget.surface import seam_surface
from prewarp.frames import arcmin_step
from prewarp.module import read_module
from prewarp.trace import built_design, departures, read_design, trace_channel
from prewarp.trace.built import Departure
from tests.long.accept_sigma import CALIB, captured, package_of
from tests.long.accept_sigma import positions as on_lattice

NOISE_PX, COLOUR, MOMENTS, DIRECTIONS = 0.05, "G", 24_000, 120
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

    def __init__(self, lookup, module):
        self.module, first, *_ = module, *module.channels
        fields = [TableField(lookup, one.name, COLOUR) for one in module.channels]
        assert len(fields) == 2 and first.name == fields[0].channel
        content = shared_directions(fields, module)
        surface = seam_surface(*fields, content, eye_box=module.eye_box)
        scene, effects = BudgetScene(surface), effects_of(Tracker())
        path, streams = begin(scene, samples=MOMENTS, seed=0)
        kept = {"tangent": [], "pupil": [], "pixel": []}
        for place, tangent in enumerate(content):
            moments = draw_moments(scene, path, streams[place], MOMENTS // DIRECTIONS)
            step, apart = seam_steps(scene, place, moments, effects, moments.late_mm(path, effects))
            inside = np.isfinite(step[0])
            pupil, tracked = moments.pupil_mm[:, inside].T, (moments.pupil_mm - apart)[:, inside].T
            points = [one.inverse(tangent[None, None], pupil_mm=tracked[None]) for one in fields]
            good = points[0].valid[0] & points[1].valid[0]
            kept["tangent"].append(np.broadcast_to(tangent, (int(good.sum()), 2)))
            kept["pupil"].append(pupil[good])
            kept["pixel"].append(np.stack([one.pixel[0] for one in points])[:, good])
        self.tangent, self.pupil = np.concatenate(kept["tangent"]), np.concatenate(kept["pupil"])
        self.pixel = np.concatenate(kept["pixel"], axis=1)

    def of(self, unit):
        """Return the seam error that 95 % of the moments stay under, arcmin, of a unit as it is traced."""
        shown = [
            self.shown(unit, channel, pixel)
            for channel, pixel in zip(self.module.channels, self.pixel, strict=True)
        ]
        length = np.linalg.norm(arcmin_step(*shown), axis=1)
        seen = np.isfinite(length)
        assert seen.mean() > 0.98, seen.mean()
        return float(np.quantile(length[seen], 0.95))

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


def shared_directions(fields, module):
    """Return directions, tangents, that both channels show from all of the eye box."""
    reach = np.array([[one.reach.dir_x_deg, one.reach.dir_y_deg] for one in module.channels])
    # Panels show more than the reach that the module states.
    low, high = reach[..., 0].max(axis=0) - MARGIN_DEG, reach[..., 1].min(axis=0) + MARGIN_DEG
    axes = [np.linspace(low[axis], high[axis], 25) for axis in range(2)]
    every = np.tan(np.radians(np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)))
    served = np.ones(len(every), dtype=bool)
    for one in fields:
        served &= one.inverse(every[:, None], pupil_mm=module.eye_box.corners).valid.all(axis=1)
    kept = every[served]
    return kept[np.random.default_rng(1).choice(len(kept), DIRECTIONS, replace=False)]


def judged(fresh, lookup, module):
    """Return the seam figure of a capture."""
    groups = held_against(fresh, lookup).groups
    (found,) = meetings(groups, {(one.channel, one.colour): noise_of(one) for one in groups})
    return seam_figure([found], lookup, module.eye_box, Tracker(), True, None)


def main():
    """Print how far off the figure is, over what it states."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("designs", nargs="*", default=list(SHARES))
    parser.add_argument("--units", type=int, default=8)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for name in asked.designs:
        module = read_module(CALIB / f"{name}.module.toml")
        design = read_design(CALIB / f"{name}.design.toml")
        lookup = lookup_of(package_of(name, module, asked.folder))
        seen, half, which = Seen(lookup, module), np.array(module.eye_box.half_mm), differing(name, design)
        for share in SHARES[name]:
            units = []
            for number in range(asked.units if share else 1):
                amounts = share * np.random.default_rng([23, number]).normal(size=len(which))
                units.append(built_design(design, which, amounts * [one.sigma for one in which]))
            true = [seen.of(one) for one in units]
            for count in (2, 5, 9):
                off, parts = [], []
                for number in range(asked.units):
                    own = number if share else 0
                    fresh = captured(units[own], module, positions(count, half), (17, 15), NOISE_PX, number)
                    found = judged(fresh, lookup, module)
                    off.append((found.value - true[own], found.sigma))
                    parts.append(found.parts)
                error, sigma = np.array(off).T
                told = {key: np.sqrt(np.mean([one[key] ** 2 for one in parts])) for key in parts[0]}
                print(
                    f"{name}, {share:g}, {count} positions: true {np.mean(true):.3f} arcmin, error "
                    f"{error.mean():+.4f} +- {error.std():.4f}, sigma {sigma.mean():.4f}; over sigma RMS "
                    f"{np.sqrt(np.mean((error / sigma) ** 2)):.2f}, within 2: "
                    f"{100.0 * np.mean(np.abs(error / sigma) < 2.0):.0f} %, too small by more than 2: "
                    f"{100.0 * np.mean(error / sigma < -2.0):.0f} %;",
                    ", ".join(f"{key} {value:.4f}" for key, value in told.items()),
                    flush=True,
                )


if __name__ == "__main__":
    main()
