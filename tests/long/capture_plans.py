"""Plans of captures for the demo modules: `python -m tests.long.capture_plans [sizes] [coaxial] [folded]`.

`sizes`: what plans of 2, 8 and 25 positions ask for and how large their targets are; some 20 s a line.
A demo: 25 positions of the plan beside a plain checker of +-2 mm, with a stage off by 0.1 mm and 1 arcmin:
error at held-out rays after removal of shift, turn and scale, px RMS over two draws, with poses found and
exact; about two minutes a demo.

Figures of the last runs:

coaxial, 2 positions, colours at all: 448 photographs, 0.9 min of exposure; 140 pictures, 3.6 MiB in 8 s
coaxial, 8 positions, colours at all: 796 photographs, 1.8 min of exposure; 140 pictures, 3.7 MiB in 8 s
coaxial, 25 positions, colours at all: 1782 photographs, 4.2 min of exposure; 140 pictures, 3.8 MiB in 8 s
coaxial, 25 positions, colours at 5: 1382 photographs, 2.7 min of exposure; 140 pictures, 3.7 MiB in 8 s
folded, 2 positions, colours at all: 448 photographs, 0.9 min of exposure; 140 pictures, 3.9 MiB in 9 s
folded, 8 positions, colours at all: 796 photographs, 1.8 min of exposure; 140 pictures, 3.9 MiB in 8 s
folded, 25 positions, colours at all: 1782 photographs, 4.2 min of exposure; 140 pictures, 4.0 MiB in 8 s
folded, 25 positions, colours at 5: 1382 photographs, 2.7 min of exposure; 140 pictures, 4.0 MiB in 8 s
coaxial, plan: poses found 0.0158 px, exact 0.0116 px, ratio 1.37
coaxial, plain checker: poses found 0.0160 px, exact 0.0114 px, ratio 1.41
folded, plan: poses found 0.0134 px, exact 0.0119 px, ratio 1.12
folded, plain checker: poses found 0.0146 px, exact 0.0112 px, ratio 1.31
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from prewarp.capture.positions import plan_poses
from prewarp.capture.schedule import CaptureSettings
from prewarp.capture.targets import planned_targets, write_targets
from tests.poses.captures import design, errors_px, held_out, pupil_lattice, stage_errors
from tests.poses.judging import trial

DEMOS = ("coaxial", "folded")
PLANS = ((2, 0), (8, 0), (25, 0), (25, 5))
DRAWS = 2


def sizes(name: str) -> list[str]:
    """Return a line a plan."""
    module, _ = design(name)
    lines = []
    for positions, colours_at in PLANS:
        settings = CaptureSettings(positions=positions, colours_at=colours_at)
        targets = planned_targets(module, settings)
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            size = write_targets(targets, Path(folder) / "targets")
        lines.append(
            f"{name}, {positions} positions, colours at {colours_at or 'all'}: "
            f"{len(targets.plan)} photographs, "
            f"{targets.exposure_minutes:.1f} min of exposure; "
            f"{len(targets.pictures)} pictures, {size / 2**20:.1f} MiB in {time.perf_counter() - start:.0f} s"
        )
    return lines


def poses(name: str) -> list[str]:
    """Return a line for the plan's positions and one for a plain checker."""
    half = design(name)[0].eye_box.half_mm
    planned = np.array([one.pupil_mm for one in plan_poses(half, 25) if not one.is_turned])
    truth = held_out(name=name, dots=11)
    lines = []
    for what, labels in (("plan", planned), ("plain checker", pupil_lattice(2.0))):
        free, exact = [], []
        for seed in range(1, DRAWS + 1):
            one = trial(stage_errors(25, np.random.default_rng(seed)), labels, seed, name=name)
            free.append(errors_px(one.free, truth, remove="similarity"))
            exact.append(errors_px(one.exact, truth, remove="similarity"))
        found, right = (float(np.sqrt(np.mean(np.square(one)))) for one in (free, exact))
        lines.append(
            f"{name}, {what}: poses found {found:.4f} px, exact {right:.4f} px, ratio {found / right:.2f}"
        )
    return lines


if __name__ == "__main__":
    asked = sys.argv[1:] or ["sizes", *DEMOS]
    for word in asked:
        for line in [one for name in DEMOS for one in sizes(name)] if word == "sizes" else poses(word):
            print(line, flush=True)
