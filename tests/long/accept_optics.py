"""Are lengths of `accept` as sure as it says, on optics that its constants were not set by?

`python -m tests.long.accept_optics [--units 4] [--jobs 1] [OPTICS ...]`. Eight published lenses as optiland
carries them, an eyepiece, that tilted (`tests.drawn_optics`), and both demo designs. A unit is the lens with
the eye turned and moved a little otherwise, or the design off by its tolerances; the package is taken to be
exact. Truth: what 95 % of panel and of 40 pupils over the eye box stay under, without noise. Some minutes of
one core. Last figures: DEVELOPERS.md, "Acceptance and statistics".
"""

import argparse
import multiprocessing
import zlib
from functools import cache

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import qmc

from prewarp.acceptance.place import Noise
from prewarp.acceptance.smooth import Smooth
from prewarp.module import read_module
from prewarp.neighbours import local_differences
from prewarp.robust import sigma_of_lengths
from prewarp.trace import built_design, departures, reach_lattice, read_design, trace_channel
from tests.certain_cases import erfle
from tests.drawn_optics import LENSES, OPTICS, PANEL_PX, moved_image
from tests.long.line_units import CALIB

HALF_MM = np.array([4.0, 4.0, 2.0])
REACH, DOTS, DENSE = 0.62, 16, 37
NOISE_PX = (0.05, 0.2)
COUNTS = (2, 4, 9, 25)


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
    """Return pixel, step, tangent, pupil, shot of a unit without noise."""
    said, unit, lattice, size = case
    tangent = lattice(dots)
    many = np.tile(tangent, (len(pupils), 1))
    place = np.repeat(pupils, len(tangent), axis=0)
    at, there = said(many, place), unit(many, place)
    good = np.isfinite(at).all(axis=1) & np.isfinite(there).all(axis=1)
    good &= ((there > 0.0) & (there < np.array(size))).all(axis=1)
    shot = np.repeat(np.arange(len(pupils)), len(tangent))
    return there[good], (there - at)[good], many[good], place[good], shot[good]


def over_panel(pixel, step, shot, dots):
    """Return the length that 95 % of the panel's area stay under; dots stand for the area about them."""
    size = np.linalg.norm(step, axis=1)
    area = np.empty(len(size))
    for one in np.unique(shot):
        mine = np.flatnonzero(shot == one)
        near = cKDTree(pixel[mine]).query(pixel[mine], k=5)[0][:, 1:]
        area[mine] = np.mean(near, axis=1) ** 2
    order = np.argsort(size)
    return float(size[order][np.searchsorted(np.cumsum(area[order]), 0.95 * area.sum())])


def errors(asked):
    """Return (positions, noise, error, sigma, value) of one unit of some optics."""
    name, number = asked
    case = unit_of(name, number)
    if case is None:
        return []
    half = np.array(demo_parts(name.split()[0])[0].eye_box.half_mm) if "demo" in name else HALF_MM
    even = (2.0 * qmc.Halton(3, scramble=True, seed=3).random(40) - 1.0) * half
    pixel, step, _, _, shot = seen(case, even, DENSE)
    truth = over_panel(pixel, step, shot, DENSE)
    found = []
    for count in COUNTS:
        pixel, step, tangent, pupil, shot = seen(case, positions(count, half), DOTS)
        for noise_px in NOISE_PX:
            random = np.random.default_rng([22, number, count])
            noisy = step + noise_px * random.standard_normal(step.shape)
            local = local_differences(pixel, shot, noisy.T)
            noise = Noise(None, sigma_of_lengths(np.hypot(*local)), local.shape[1])
            smooth = Smooth(noisy, pixel, tangent, pupil, shot, np.array([-half, half]))
            told = smooth.told(noise.taken_out, noise.unsure)
            found.append((count, noise_px, told.value - truth, told.sigma, truth))
    return found


def main():
    """Print errors over sigma."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("optics", nargs="*", default=list(OPTICS))
    parser.add_argument("--units", type=int, default=4)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    jobs = [(name, number) for name in asked.optics for number in range(asked.units)]
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        results = dict(zip(jobs, pool.map(errors, jobs, chunksize=1), strict=True))
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
                off, sigma, value = np.array(rows)[:, 2:].T
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
