"""Are lengths of `accept` as sure as it says, on optics that its constants were not set by?

`python -m tests.long.accept_optics [--units 4] [--jobs 1] [OPTICS ...]`. Eight published lenses as optiland
carries them, an eyepiece, that tilted (`tests.drawn_optics`), and both demo designs. A unit is the lens with
the eye turned and moved a little otherwise, or the design off by its tolerances; the package is taken to be
exact. Truth: what 95 % of 40,000 points over the panel that is shown and over the eye box stay under, without
noise. Some minutes of one core. Last figures: DEVELOPERS.md, "Acceptance and statistics".
"""

import argparse
import json
import multiprocessing
import zlib
from functools import cache
from pathlib import Path

import numpy as np
from scipy.stats import qmc

from prewarp.acceptance.place import Noise
from prewarp.acceptance.smooth import Points, Smooth
from prewarp.frames import reference_pupil
from prewarp.module import read_module
from prewarp.neighbours import local_differences
from prewarp.robust import sigma_of_lengths
from prewarp.trace import built_design, departures, reach_lattice, read_design, trace_channel
from tests.certain_cases import erfle
from tests.drawn_optics import LENSES, OPTICS, PANEL_PX, moved_image
from tests.long.line_units import CALIB

HALF_MM = np.array([4.0, 4.0, 2.0])
REACH, DOTS = 0.62, 16
NOISE_PX = (0.05, 0.2)
COUNTS = (2, 4, 9, 25)
PARTS = ("positions", "read_off", "noise")


def positions(count, half):
    """Return so many positions, on a diagonal or a lattice, with depth by turns."""
    if count == 2:
        return REACH * half * np.array([[-1.0, -1.0, 0.5], [1.0, 1.0, -0.5]])
    across = round(np.sqrt(count))
    i, j = np.indices((across, across)).reshape(2, -1)
    unit = np.stack([2.0 * i / (across - 1) - 1.0, 2.0 * j / (across - 1) - 1.0, 0.5 - (i + j) % 2], axis=-1)
    return REACH * half * unit


@cache
def demo_parts(name):
    """Return module, design and departures of a demo."""
    design = read_design(CALIB / f"{name}.design.toml")
    return read_module(CALIB / f"{name}.module.toml"), design, departures(design)


def unit_of(name, number):
    """Return what is said and the unit, (tangent, pupil) to pixel, lattices of directions, panel size."""
    random = np.random.default_rng([21, zlib.crc32(name.encode()), number])
    if "demo" in name:
        module, design, which = demo_parts(name.split()[0])
        channel = module.channels[number % 2]
        amounts = random.normal(size=len(which)) * [one.sigma for one in which]
        if not len(which):
            return None
        made = built_design(design, which, amounts)

        def traced(source):
            optics = source.channel(channel.name)

            def image(tangent, pupil):
                seen = trace_channel(optics, channel.panel, tangent, pupil_mm=pupil, wavelength_nm=532.0)
                return np.where(seen.valid[:, None], seen.pixel, np.nan)

            return image

        lattice = lambda n: reach_lattice(channel, (n, n), margin_deg=(0.5, 2.0))  # noqa: E731
        return traced(design), traced(made), lattice, channel.panel.size_px
    step = random.normal(size=5) * [0.05, 0.05, 0.05, 0.05, 0.2]
    if name in LENSES:
        said, half = moved_image(name)
        unit, _ = moved_image(name, *step)
    else:
        tilted, half = "tilted" in name, 15.0 if "tilted" in name else 21.0
        pitch, shift = 9.0 * tilted, 4.0 * tilted
        said = lambda t, p: erfle(t, p, pitch_deg=pitch, shift_mm=shift)  # noqa: E731
        unit = lambda t, p: erfle(  # noqa: E731
            t, p + [0.0, step[1], step[4]], pitch_deg=pitch + step[0], shift_mm=shift + step[2]
        )

    def lattice(n):
        axis = np.tan(np.radians(np.linspace(-half, half, n)))
        return np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)

    return said, unit, lattice, (PANEL_PX, PANEL_PX)


def seen(case, pupils, dots):
    """Return where dots are said to be and how far off they are, tangent, pupil, shot, without noise."""
    said, unit, lattice, size = case
    tangent = lattice(dots)
    many = np.tile(tangent, (len(pupils), 1))
    place = np.repeat(pupils, len(tangent), axis=0)
    at, there = said(many, place), unit(many, place)
    good = np.isfinite(at).all(axis=1) & np.isfinite(there).all(axis=1)
    good &= ((there > 0.0) & (there < np.array(size))).all(axis=1)
    shot = np.repeat(np.arange(len(pupils)), len(tangent))
    return at[good], (there - at)[good], many[good], place[good], shot[good]


def everywhere(case, half, count, seed):
    """Return panel points (n, 2) of what is said, evenly spread over them, and directions and pupils (n, 3)
    of each: over the field that is seen and the eye box.
    """
    said, _, lattice, size = case
    field = lattice(2)
    unit = qmc.Halton(5, scramble=True, seed=seed).random(count)
    tangent = field.min(axis=0) + (field.max(axis=0) - field.min(axis=0)) * unit[:, :2]
    pupil = (2.0 * unit[:, 2:] - 1.0) * half
    pixel = said(tangent, pupil)
    step = 1e-4 * np.eye(2)
    slope = np.stack([(said(tangent + one, pupil) - pixel) / 1e-4 for one in step], axis=-1)
    area = np.abs(np.linalg.det(slope))
    good = np.isfinite(area) & np.all((pixel > 0.0) & (pixel < np.array(size)), axis=1)
    chosen = np.flatnonzero(good)
    share = np.cumsum(area[chosen]) / area[chosen].sum()
    # As often as it covers the panel.
    chosen = chosen[np.searchsorted(share, (np.arange(count) + 0.5) / count)]
    return pixel[chosen], tangent[chosen], pupil[chosen]


def errors(asked):
    """Return (positions, noise, error, sigma, value, parts) of one unit of some optics."""
    name, number = asked
    case = unit_of(name, number)
    if case is None:
        return []
    half = np.array(demo_parts(name.split()[0])[0].eye_box.half_mm) if "demo" in name else HALF_MM
    pixel, tangent, pupil = everywhere(case, half, 40_000, 3)
    step = np.linalg.norm(case[1](tangent, pupil) - pixel, axis=1)
    truth = float(np.quantile(step[np.isfinite(step)], 0.95))
    groups = [everywhere(case, half, 512, 100 + part) for part in range(16)]
    pixel, tangent, pupil = (np.concatenate(one) for one in zip(*groups, strict=True))
    points = Points(pixel, reference_pupil(tangent, pupil), np.repeat(np.arange(16), 512))
    found = []
    for count in COUNTS:
        pixel, step, tangent, pupil, shot = seen(case, positions(count, half), DOTS)
        reference = reference_pupil(tangent, pupil)
        for noise_px in NOISE_PX:
            random = np.random.default_rng([22, number, count])
            noisy = step + noise_px * random.standard_normal(step.shape)
            local = local_differences(pixel, shot, noisy.T)
            noise = Noise(None, sigma_of_lengths(np.hypot(*local)), local.shape[1])
            told = Smooth(noisy, pixel, reference, shot, np.array([-half, half]), points).told(
                noise.taken_out, noise.unsure
            )
            parts = {key: getattr(told, key) for key in PARTS}
            found.append((count, noise_px, told.value - truth, told.sigma, truth, parts))
    return found


def main():
    """Print errors over sigma."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("optics", nargs="*", default=list(OPTICS))
    parser.add_argument("--units", type=int, default=4)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--table", type=Path, help="JSON of every unit")
    asked = parser.parse_args()
    jobs = [(name, number) for name in asked.optics for number in range(asked.units)]
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        results = dict(zip(jobs, pool.map(errors, jobs, chunksize=1), strict=True))
    if asked.table:
        asked.table.write_text(
            json.dumps({f"{name} {number}": results[name, number] for name, number in jobs})
        )
    for count in COUNTS:
        for noise_px in NOISE_PX:
            every = []
            for name in asked.optics:
                rows = [
                    one
                    for number in range(asked.units)
                    for one in results[name, number]
                    if one[:2] == (count, noise_px)
                ]
                if not rows:
                    continue
                off, sigma, value = np.array([one[2:5] for one in rows]).T
                every += list(off / sigma)
                print(
                    f"{count} positions, {noise_px} px, {name}: true {np.mean(value):.3f}, error "
                    f"{np.mean(off):+.4f} +- {np.std(off):.4f}, sigma {np.mean(sigma):.4f} px, over sigma "
                    f"{np.sqrt(np.mean((off / sigma) ** 2)):.2f}"
                )
            over = np.array(every)
            print(
                f"{count} positions, {noise_px} px: all {len(over)} units, over sigma RMS "
                f"{np.sqrt(np.mean(over**2)):.2f}, within 2: {100.0 * np.mean(np.abs(over) < 2.0):.0f} %, "
                f"too small by more than 2: {100.0 * np.mean(over < -2.0):.0f} %",
                flush=True,
            )


if __name__ == "__main__":
    main()
