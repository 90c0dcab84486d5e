"""Do the intervals of the tracker budget hold what other seeds say?

`python -m tests.long.budget_seeds [SEEDS]`: the 95th percentile of the seam error of a closed-form seam, with
and without a tracker, for natural and reflexive saccades. Printed are the spread over seeds, the mean half
width of the stated 95 % intervals, and how many of them hold the mean over all seeds.

Last figures, 60 seeds of half a million moments: natural saccades with a tracker 1.505 arcmin, seeds spread
by 0.14 %, intervals +-0.26 %, 97 % of them hold the mean; without 4.412, 0.50, 1.16, 100; reflexive ones with
a tracker 1.568, 0.15, 0.28, 95; without 3.762, 0.35, 0.75, 95.
"""

import sys

import numpy as np

from prewarp.budget import EyeMotion, Tracker, simulate
from tests.budget.scenes import linear_scene

SAMPLES = 500_000
TANGENT = np.array([[0.0, -0.1], [0.0, 0.0], [0.02, 0.1]])


def main(seeds):
    for saccades in ("natural", "reflexive"):
        scene = linear_scene(TANGENT, motion=EyeMotion(saccades=saccades))
        for tracker, name in ((Tracker(), "with a tracker"), (None, "without")):
            values, ends = [], []
            for seed in range(seeds):
                found = simulate(scene, tracker, samples=SAMPLES, seed=seed)
                values.append(found.percentile_arcmin(95.0))
                ends.append(found.interval_arcmin(95.0))
            low, high = np.array(ends).T
            mean = np.mean(values)
            print(
                f"{saccades} saccades, {name}: {mean:.3f} arcmin, seeds spread by "
                f"{100.0 * np.std(values) / mean:.2f} % (from {np.min(values):.3f} to {np.max(values):.3f}); "
                f"intervals +-{50.0 * np.mean(high - low) / mean:.2f} %, of which "
                f"{100.0 * np.mean((low <= mean) & (mean <= high)):.0f} % hold the mean"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
