"""Free poses over many draws: `python -m tests.long.free_poses [CASE ...]`; some minutes a case.

Each line: error at held-out rays, px RMS over all draws, with poses found, with exact poses, their ratio, and
RMS error of the observable modes over their stated sigma. Shift, turn and scale are removed, in one plane
also one turn per pupil position. Ratios are of RMS over draws. Exact poses are those of the usual fit, whose
folds leave out pupil positions, which makes it choose low degrees at times: ratios below 1 say that, not that
poses found are better. Seam errors of the folded pair hold the common shift of 0.02 mm that only labels tell:
its channels' images lie at different distances.

Figures of the last runs; those of one plane and of `deep` are older:

two: similarity 0.0119 / 0.0100 = 1.20; seam 0.0120 / 0.0116 arcmin = 1.04; scores 0.95 (0.89 to 1.03)
six: similarity 0.0118 / 0.0101 = 1.17; seam 0.0141 / 0.0123 arcmin = 1.15; scores 0.99 (0.86 to 1.23)
deep: similarity 0.0106 / 0.0124 = 0.85; seam 0.0116 / 0.0126 arcmin = 0.92; scores 0.96 (0.93 to 1.04)
deep six: similarity 0.0117 / 0.0113 = 1.03; seam 0.0145 / 0.0114 arcmin = 1.27; scores 1.09 (0.92 to 1.38)
exact: similarity 0.0116 / 0.0099 = 1.18; seam 0.0115 / 0.0114 arcmin = 1.01; scores 0.90 (0.87 to 0.94)
exact six: similarity 0.0105 / 0.0102 = 1.03; seam 0.0126 / 0.0123 arcmin = 1.03; scores 0.91 (0.85 to 0.98)
folded: similarity 0.0142 / 0.0108 = 1.31; seam 0.0566 / 0.0143 arcmin = 3.95; scores 1.03 (0.97 to 1.06)
plane: raw 0.4151 / 0.0099 = 41.85; similarity 0.1713 / 0.0097 = 17.74; wavefront 0.0155 / 0.0092 = 1.68;
raw over poses ignored 0.45; seam 0.0125 / 0.0121 arcmin = 1.04; scores 0.89 (0.78 to 0.94)
"""

import sys
import time

import numpy as np

from prewarp.field import fit_grid
from prewarp.poses import fit_free_poses, free_poses
from tests.poses.captures import capture, errors_px, held_out, pupil_lattice, stage_errors
from tests.poses.judging import panel_size, seam_error_arcmin, trial

COLOURS = ("R", "G", "B")
# Name: depth mm, dots across, colours, size of the stage's errors, demo, draws.
CASES = {
    "two": (2.0, 17, ("G",), 1.0, "coaxial", 16),
    "six": (2.0, 17, COLOURS, 1.0, "coaxial", 8),
    "deep": (4.0, 17, ("G",), 1.0, "coaxial", 16),
    "deep six": (4.0, 17, COLOURS, 1.0, "coaxial", 8),
    "exact": (2.0, 17, ("G",), 0.0, "coaxial", 16),
    "exact six": (2.0, 17, COLOURS, 0.0, "coaxial", 8),
    "folded": (2.0, 17, ("G",), 1.0, "folded", 12),
    "plane": (0.0, 17, ("G",), 1.0, "coaxial", 16),
    "eyepiece": (2.0, 17, ("G",), 1.0, "eyepiece", 12),
}


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def run(name: str) -> str:
    """Return the line of one case."""
    depth, dots, colours, size, demo, draws = CASES[name]
    truth = held_out(name=demo, colours=colours, dots=11, depth_mm=min(depth, 2.0))
    labels = pupil_lattice(depth)
    kinds = ("", "similarity", "wavefront") if depth == 0.0 else ("similarity",)
    free, exact, ignored, scores, seams = [], [], [], [], []
    for seed in range(1, draws + 1):
        errors = stage_errors(25, np.random.default_rng(seed), size=size)
        one = trial(errors, labels, seed, name=demo, dots=dots, colours=colours)
        free.append([errors_px(one.free, truth, remove=kind) for kind in kinds])
        exact.append([errors_px(one.exact, truth, remove=kind) for kind in kinds])
        scores.append(rms(one.observable_scores()))
        seams.append(
            [
                seam_error_arcmin(fields, name=demo, remove=kind)
                for kind in ("", "similarity")
                for fields in (one.free, one.exact)
            ]
        )
        if depth == 0.0:
            grid = capture(errors, labels, np.random.default_rng(seed), dots=dots, colours=colours)
            fields = fit_grid(grid, panel_size_px=panel_size(), family="polynomial")
            ignored.append(errors_px(fields, truth))
    parts = [
        f"{kind or 'raw'} {rms([f[k] for f in free]):.4f} / {rms([e[k] for e in exact]):.4f} = "
        f"{rms([f[k] for f in free]) / rms([e[k] for e in exact]):.2f}"
        for k, kind in enumerate(kinds)
    ]
    if ignored:
        parts.append(f"raw over poses ignored {rms([f[0] for f in free]) / rms(ignored):.2f}")
    found, right, apart, right_apart = (rms(column) for column in np.array(seams).T)
    parts.append(f"seam {found:.4f} / {right:.4f} arcmin = {found / right:.2f}")
    parts.append(f"similarity removed {apart / right_apart:.2f}")
    return f"{name}: {'; '.join(parts)}; scores {rms(scores):.2f} ({min(scores):.2f} to {max(scores):.2f})"


def speed() -> str:
    """Return processor and wall seconds of 2 channels x 3 colours x 25 shots x 1,089 dots, two threads."""
    labels, random = pupil_lattice(2.0), np.random.default_rng(1)
    grid = capture(stage_errors(25, random), labels, random, dots=33, colours=COLOURS)
    start = np.array([time.process_time(), time.perf_counter()])
    free_poses(grid, panel_size_px=panel_size())
    poses = np.array([time.process_time(), time.perf_counter()]) - start
    fit_free_poses(grid, panel_size_px=panel_size())
    whole = np.array([time.process_time(), time.perf_counter()]) - start - poses
    return (
        f"speed, {len(grid)} rows: processor {whole[0]:.1f} s (poses {poses[0]:.1f}), "
        f"wall {whole[1]:.1f} s (poses {poses[1]:.1f})"
    )


if __name__ == "__main__":
    for case in sys.argv[1:] or (*CASES, "speed"):
        print(speed() if case == "speed" else run(case), flush=True)
