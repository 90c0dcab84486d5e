"""From a bench to a map, judged by the trace: `python -m tests.long.capture_end_to_end [CASE ...]`.

Cases `photographs NAME`: the whole of `prewarp demo --bench`, from simulated photographs of a unit with
tolerances, at 8 positions as the difference to the design's trace; some minutes each. Cases `rays NAME
COUNT`: the same without photographs, dots of a traced unit with the noise that extraction has (0.01 px per
axis), for more draws: stage 0.1 mm and 1 arcmin per axis, the plan's positions, 8 with the design as base, 25
without. All are judged at pupils that no shot had, after removal of shift, turn and scale, arcmin. Goals: p95
at most 0.6 with 8 positions, 0.1 with 25. Best published figure found: 8 viewpoints of a 90-degree display,
5.8 arcmin median (Y. Hiroi et al., Optics Express 30 (2022) 40628).

The eyepiece is the Erfle of US patent 1,479,229 (`tests.trace.erfle`), a panel of 2560 x 2560 px, one colour.
Seam: RMS over overlap and unseen pupils; for `photographs` drawn by the package, for `rays` by the fit: what
noise and poses alone predict.

Figures of the last runs:

photographs coaxial: median 0.0203, p95 0.0754, max 0.256; seam 0.0422 RMS
(the same places, turns and noise by rays: seam 0.0384)
rays coaxial 8: median 0.0200, p95 0.0836, max 0.547; seam 0.0457 RMS
rays coaxial 25: median 0.0032, p95 0.0082, max 0.038; seam 0.0064 RMS
rays folded 8: median 0.0103, p95 0.0352, max 0.092; seam 0.1549 RMS
rays folded 25: median 0.0024, p95 0.0057, max 0.022; seam 0.0510 RMS
rays eyepiece 8: median 0.0074, p95 0.0220, max 0.046
rays eyepiece 25: median 0.0035, p95 0.0129, max 0.070

The folded pair's seam holds the common shift that only labels tell (as in `tests.long.free_poses`).
"""

import sys
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from prewarp.capture.positions import plan_poses
from prewarp.demo.bench import BenchSettings, run_bench
from prewarp.demo.bench_judged import map_errors, spread_arcmin
from prewarp.demo.truth import TracedOptics
from prewarp.demo.unit import built_unit
from prewarp.field import fit_grid
from prewarp.module import Panel, Reach, read_module
from prewarp.poses import fit_free_poses
from prewarp.resources import resource_path
from prewarp.trace import Design, read_design
from tests.poses import captures
from tests.poses.captures import Errors, capture, pupil_lattice, stage_errors
from tests.poses.judging import seam_error_arcmin
from tests.trace.erfle import erfle

NOISE_PX, DOTS, DRAWS = 0.01, 17, 3
EYEPIECE = "eyepiece"
NAMES = ("coaxial", "folded", EYEPIECE)
CASES = [
    *(("photographs", name) for name in NAMES[:2]),
    *(("rays", name, count) for name in NAMES for count in (8, 25)),
]


@cache
def display(name: str):
    """Return module and design of a demo, or of the eyepiece."""
    kind = "coaxial" if name == EYEPIECE else name
    module = read_module(resource_path("calib", f"{kind}.module.toml"))
    if name != EYEPIECE:
        return module, read_design(resource_path("calib", f"{kind}.design.toml"))
    one = replace(
        module.channels[0],
        name="erfle",
        panel=Panel(width_px=2560, height_px=2560, pitch_um=25.0, encoding="srgb", bit_depth=8),
        reach=Reach(dir_x_deg=(-25.0, 25.0), dir_y_deg=(-25.0, 25.0)),
    )
    return replace(module, channels=(one,)), Design("Erfle eyepiece", (erfle(),))


def spread(values: np.ndarray) -> str:
    said = spread_arcmin(values)
    return f"median {said['median_arcmin']:.4f}, p95 {said['p95_arcmin']:.4f}, max {said['max_arcmin']:.3f}"


def from_photographs(name: str) -> str:
    """Return the figures of `prewarp demo --bench` of a module."""
    with tempfile.TemporaryDirectory() as folder:
        said = run_bench(Path(folder) / "bench", name=name, settings=BenchSettings())["judged"]
    figures = (said["map"], said["seam_of_package"])
    words = (
        "median {median_arcmin:.4f}, p95 {p95_arcmin:.4f}, max {max_arcmin:.3f}",
        "seam {rms_arcmin:.4f} RMS",
    )
    return "; ".join(word.format(**one) for word, one in zip(words, figures, strict=True))


def from_rays(name: str, count: int) -> str:
    """Return figures over DRAWS stages; 8 positions tell the difference to the design."""
    module, design = display(name)
    channels = tuple(one.name for one in module.channels)
    size = module.panel_sizes_px
    labels = np.array(
        [one.pupil_mm for one in plan_poses(np.array(module.eye_box.half_mm), count, turn_deg=0.0)]
    )
    base = None
    if count < 25:
        captures.design = lambda _: (module, design)
        still = Errors(np.zeros((25, 3)), np.zeros((25, 3)))
        rays = capture(
            still, pupil_lattice(0.0), np.random.default_rng(0), dots=25, channels=channels, noise_px=0.0
        )
        base = fit_grid(rays, panel_size_px=size)
    errors, seams = [], []
    for seed in range(1, DRAWS + 1):
        unit = built_unit(design, seed)
        captures.design = lambda _, unit=unit: (module, unit)
        random = np.random.default_rng(seed)
        grid = capture(
            stage_errors(count, random), labels, random, dots=DOTS, channels=channels, noise_px=NOISE_PX
        )
        fields, _ = fit_free_poses(grid, panel_size_px=size, base=base)
        errors.append(map_errors(fields, TracedOptics(unit, module))[1])
        if len(channels) > 1:
            seams.append(seam_of(fields, module, unit))
    seam = f"; seam {np.sqrt(np.mean(np.square(seams))):.4f} RMS" if seams else ""
    return spread(np.concatenate(errors)) + seam


def seam_of(fields, module, unit) -> float:
    """Return the RMS angle between the channels' pictures of one direction."""
    import tests.poses.judging as judging

    judging.design = lambda _: (module, unit)
    return seam_error_arcmin(fields)


def run(case) -> str:
    kind, name, *rest = case
    return from_photographs(name) if kind == "photographs" else from_rays(name, *rest)


if __name__ == "__main__":
    asked = sys.argv[1:]
    for case in CASES:
        label = " ".join(map(str, case))
        if not asked or label in asked:
            print(f"{label}: {run(case)}", flush=True)
