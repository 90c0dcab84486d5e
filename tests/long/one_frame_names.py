"""One-frame marks in many faulty poses: names found, wrong, poses refused. Long form of `test_extract_one`.

    python -m tests.long.one_frame_names [POSES]

Each pose has one photograph with dust, a hair, two islands, hidden marks, vignetting to 10 %, k from -0.3 to
0.4, turned by quarters, mirrored or not. Last figures, 60 poses: 13,919 names, 0 wrong, 0 poses refused.
"""

import sys

import numpy as np

from prewarp.capture.extract.finding import find_blobs
from prewarp.capture.extract.one_frame import name_by_pattern
from tests.capture.discs import Faulty
from tests.capture.extraction import marks_of
from tests.capture.test_extract_one import scene_of


def main() -> None:
    """Print counts over poses."""
    poses = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    named = wrong = refused = 0
    for seed in range(poses):
        scene = scene_of(seed)
        electrons = scene.light(np.ones(len(scene.panel))) * Faulty(scene, seed=seed).cover
        blobs = find_blobs(scene.exposed(electrons))
        found = name_by_pattern(blobs, marks_of(scene), {}, f"pose {seed}")
        if found.problem:
            print(found.problem)
            refused += 1
            continue
        off = np.hypot(*(blobs.place[found.found.blob] - scene.place[found.found.mark]).T)
        wrong += int(np.sum(off > 0.35 * found.found.spacing_px))
        named += len(off)
    print(f"{poses} poses: {named} names, {wrong} wrong, {refused} poses refused")


if __name__ == "__main__":
    main()
