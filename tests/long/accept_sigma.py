"""Are figures of `accept` as sure as it says? Fresh captures of traced designs, held against packages.

`python -m tests.long.accept_sigma FOLDER [--units 6]` takes some three minutes of one core. FOLDER keeps the
packages, each of the demo's own grid of a design. The units that are captured are the design itself (0) or
drawn by lot from a share of its tolerances. Truth is the trace without noise: what 95 % of 60,000
points of panel and eye box stay under. Last figures: DEVELOPERS.md, "Acceptance and statistics".
"""

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from scipy.stats import qmc

from prewarp.acceptance.belonging import lookup_of
from prewarp.acceptance.panel_points import panel_points
from prewarp.acceptance.place import noise_of, place_figures
from prewarp.acceptance.predicted import held_against
from prewarp.acceptance.tables_as_fields import TableField
from prewarp.cli import main as program
from prewarp.export.package_reading import read_package
from prewarp.export.truth import KIND, read_truth
from prewarp.lookup.device_light import PreparedLight
from prewarp.module import read_module
from prewarp.trace import built_design, departures, reach_lattice, read_design, trace_channel, trace_grid

CALIB = Path(__file__).resolve().parents[2] / "calib"
SHARES = {"coaxial": (0.0,), "folded": (0.0, 0.1, 1.0)}
# Of half the eye box, with depth by turns.
REACH = 0.62
# Where truth is read off.
PUPILS, PLACES = 200, 300


def positions(count, half):
    """Return so many positions: on a diagonal, or on a square lattice."""
    if count == 2:
        return REACH * half * np.array([[-1.0, -1.0, 0.5], [1.0, 1.0, -0.5]])
    along = np.linspace(-1.0, 1.0, round(np.sqrt(count)))
    return (
        REACH
        * half
        * np.array(
            [[x, y, 0.5 * (-1.0) ** (i + j)] for i, x in enumerate(along) for j, y in enumerate(along)]
        )
    )


def captured(unit, module, pupils, directions, noise_px, seed):
    """Return the grid of a unit in green, with noise."""
    green = replace(module, colours=tuple(one for one in module.colours if one.name == "G"))
    said = {one.name: reach_lattice(one, directions, margin_deg=(0.5, 2.0)) for one in module.channels}
    grid = trace_grid(unit, green, pupils=pupils, directions=said)
    random = np.random.default_rng([17, seed])
    return replace(grid, pixel=grid.pixel + noise_px * random.standard_normal(grid.pixel.shape))


def truth_of(unit, module, lookup, channel):
    """Return the length that 95 % of what the package lights of panel and eye box stay under, px."""
    random, half = np.random.default_rng(3), module.eye_box.half_mm
    pupils = (2.0 * qmc.Halton(3, scramble=True, seed=3).random(PUPILS) - 1.0) * half
    ends = reach_lattice(channel, (2, 2), margin_deg=(4.0, 4.0))
    # Directions of its own for every pupil, more of them than the panel shows.
    tangent = random.uniform(ends.min(axis=0), ends.max(axis=0), (PLACES, PUPILS, 2))
    (colour,) = (one for one in module.colours if one.name == "G")
    seen = trace_channel(
        unit.channel(channel.name),
        channel.panel,
        tangent.reshape(-1, 2),
        pupil_mm=np.tile(pupils, (PLACES, 1)),
        wavelength_nm=colour.wavelength_nm,
    )
    pixel, good = seen.pixel.reshape(tangent.shape), seen.valid.reshape(tangent.shape[:2])
    size, number = np.array(channel.panel.size_px), lookup.channels.index(channel.name)
    good &= np.all((pixel > 0.0) & (pixel < size), axis=-1)
    for place, pupil in enumerate(pupils):
        good[:, place] &= PreparedLight(lookup, pupil).lit_by(number, tangent[:, place])
    pixel = np.where(good[..., None], pixel, 0.5 * size)
    field = TableField(lookup, channel.name, "G")
    said = field.forward(pixel, pupil_mm=pupils[None])
    columns = [field.forward(pixel + one, pupil_mm=pupils[None]) - said for one in np.eye(2)]
    slope = np.stack(columns, axis=-1)
    step = np.linalg.norm(np.linalg.solve(slope, (tangent - said)[..., None])[..., 0], axis=-1)[good]
    # Directions are even; the panel's area is asked for.
    area, order = 1.0 / np.abs(np.linalg.det(slope))[good], np.argsort(step)
    return float(step[order][np.searchsorted(np.cumsum(area[order]), 0.95 * area.sum())])


def package_of(name, module, folder):
    """Return the package of a demo design, made where it is not there."""
    place = folder / f"{name}_package"
    if not place.exists():
        grid, fit = CALIB / f"{name}.grid.npz", folder / f"{name}.fit.npz"
        sizes = ["x".join(map(str, module.channels[0].panel.size_px))]
        for asked in (
            ["fit", grid, "--panel", *sizes, "-o", fit],
            ["export", fit, "--module", CALIB / f"{name}.module.toml", "--format", "lookup", "-o", place],
        ):
            done = CliRunner().invoke(program, [str(one) for one in (*asked, "--quiet")])
            assert done.exit_code == 0, done.output
    return read_package(place)


def main():
    """Print how far off figures are, over what they state."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--units", type=int, default=6)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for name, shares in SHARES.items():
        module, design = (
            read_module(CALIB / f"{name}.module.toml"),
            read_design(CALIB / f"{name}.design.toml"),
        )
        package = package_of(name, module, asked.folder)
        lookup, (entry,) = lookup_of(package), package.entries(KIND)
        truth = read_truth(package.path(entry), package.channels, package.colours)
        points, half = panel_points(lookup), np.array(module.eye_box.half_mm)
        which = departures(design)
        for share in shares:
            units, true = [], []
            for number in range(asked.units if share else 1):
                amounts = share * np.random.default_rng([18, number]).normal(size=len(which))
                units.append(built_design(design, which, amounts * [one.sigma for one in which]))
                true.append({one.name: truth_of(units[-1], module, lookup, one) for one in module.channels})
            for count in (2, 4, 9):
                for noise_px in (0.05, 0.2):
                    over, off, sigma, value = [], [], [], []
                    for number in range(asked.units):
                        own = number if share else 0
                        pupils = positions(count, half)
                        fresh = captured(units[own], module, pupils, (17, 15), noise_px, number)
                        for one in held_against(fresh, lookup).groups:
                            found = place_figures(
                                one, noise_of(one), lookup, truth, None, {}, points[one.channel, one.colour]
                            )[0]
                            off.append(found.value - true[own][one.channel])
                            over.append(off[-1] / found.sigma)
                            sigma.append(found.sigma)
                            value.append(found.value)
                    print(
                        f"{name}, {share:g} of tolerances, {count} positions, noise {noise_px} px: value "
                        f"{np.mean(value):.3f}, error {np.mean(off):+.4f} +- {np.std(off):.4f}, sigma "
                        f"{np.mean(sigma):.4f} px; over sigma RMS {np.sqrt(np.mean(np.square(over))):.2f}, "
                        f"too small by more than 2: {100.0 * np.mean(np.array(over) < -2.0):.0f} %",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
