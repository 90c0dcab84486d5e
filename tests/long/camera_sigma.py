"""Is a camera as sure as it says? Errors over stated sigma of repeated simulations.

Run: `python -m tests.long.camera_sigma` (some two minutes on one core). Last figures::

    8 photographs, 99 marks, 0.02 px, 200 draws
      focal x         RMS 0.97, within two sigma 98 %
      focal y         RMS 0.97, within two sigma 98 %
      centre x        RMS 1.03, within two sigma 96 %
      centre y        RMS 1.07, within two sigma 94 %
      k1              RMS 0.86, within two sigma 96 %
      k2              RMS 0.85, within two sigma 97 %
      p1              RMS 1.06, within two sigma 96 %
      p2              RMS 0.96, within two sigma 96 %
      k3              RMS 0.86, within two sigma 98 %
    stage 0.02 mm, 0.5 arcmin, 100 draws
      entrance right  RMS 1.16, within two sigma 92 %
      entrance up     RMS 1.02, within two sigma 94 %
      entrance ahead  RMS 0.80, within two sigma 98 %
      walk            RMS 0.95, within two sigma 98 %
"""

import numpy as np

from prewarp.capture.calibration.board import Board
from prewarp.capture.calibration.bundle import adjusted
from prewarp.capture.calibration.entrance import Stage, entrance_of
from prewarp.capture.camera import Camera, pose_rotation
from tests.capture.test_calibration import CAMERA, TRUTH, seen_board

DRAWS, PHOTOGRAPHS, NOISE_PX = 200, 8, 0.02
STAGE_MM, STAGE_ARCMIN = 0.02, 0.5
NAMES = ("focal x", "focal y", "centre x", "centre y", "k1", "k2", "p1", "p2", "k3")


def main() -> None:
    """Print RMS of error over sigma by number, and how many lie within two sigma."""
    board = Board("dots", (11, 9), 14.0)
    scores = []
    for seed in range(DRAWS):
        pixel, _, _ = seen_board(board.places_mm, PHOTOGRAPHS, seed, NOISE_PX)
        found = adjusted(board.places_mm, pixel, (640, 512))
        scores.append((found.lens.values - TRUTH) / found.lens_sigma.values)
    show(f"{PHOTOGRAPHS} photographs, {board.marks} marks, {NOISE_PX} px, {DRAWS} draws", NAMES, scores)
    walking = Camera(*CAMERA.size_px, CAMERA.focal_px, CAMERA.centre_px, CAMERA.distortion,
                     entrance_mm=12.3, walk_mm=8.0)  # fmt: skip
    scores = []
    for seed in range(DRAWS // 2):
        pixel, place, turn = seen_board(board.places_mm, 12, seed, 0.005, walking, STAGE_MM, STAGE_ARCMIN)
        found = adjusted(board.places_mm, pixel, (640, 512), walk=True)
        entrance = entrance_of(found, Stage(place, pose_rotation(*turn.T), STAGE_MM, STAGE_ARCMIN))
        off = (entrance.place_mm - [0.0, 0.0, 12.3]) / entrance.sigma_mm
        scores.append([*off, (found.lens.walk_mm[0] - 8.0) / found.lens_sigma.walk_mm[0]])
    names = ("entrance right", "entrance up", "entrance ahead", "walk")
    show(f"stage {STAGE_MM} mm, {STAGE_ARCMIN} arcmin, {DRAWS // 2} draws", names, scores)


def show(title: str, names: tuple[str, ...], scores: list) -> None:
    """Print one table."""
    scores = np.array(scores)
    print(title)
    for name, column in zip(names, scores.T, strict=True):
        rms, within = np.sqrt(np.mean(column**2)), 100.0 * np.mean(np.abs(column) < 2.0)
        print(f"  {name:15} RMS {rms:.2f}, within two sigma {within:.0f} %")


if __name__ == "__main__":
    main()
