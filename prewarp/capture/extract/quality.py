"""What one view's figures say of the bench: drift, blur, shake, sampling, light; in numbers and in words."""

from typing import Any

import numpy as np

from prewarp.capture.extract.frames import CODE, WHOLE, PanelMarks
from prewarp.capture.extract.measure import COVERED, FOUND, SATURATED, Measured
from prewarp.capture.extract.view import View
from prewarp.checks import FloatArray

# Photograph px per panel px below which the panel's own pixels beat with the camera's (moire of 2.7 %).
LEAST_RATIO = 0.45
_BLUR_PX = 2.0
_SMEAR_PX = 1.0
_DRIFT_PX = 0.1
_SATURATED_SHARE = 0.05
_DIM = 0.05


def view_findings(view: View, marks: PanelMarks, longest_ms: float) -> tuple[list[str], dict[str, Any]]:
    """Return findings in words, and figures for the report, of a view that counts."""
    measured = view.measured
    assert measured is not None
    good = measured.state == FOUND
    states, counts = np.unique(measured.state, return_counts=True)
    ratio = float(np.median(np.sqrt(np.abs(np.linalg.det(measured.matrix)))))
    drift = _drift(view, measured)
    figures: dict[str, Any] = {
        **view.figures,
        "marks": len(marks),
        "states": {str(state): int(count) for state, count in zip(states, counts, strict=True)},
        "not_seen": len(marks) - len(view.mark),
        "blur_px": round(measured.blur_px, 3),
        "smear_px": round(measured.smear, 3),
        "camera_px_per_panel_px": round(ratio, 4),
        "read_noise_codes": round(float(np.sqrt(measured.noise.read)), 3),
        "electrons_per_code": None if measured.noise.shot <= 0 else round(1.0 / measured.noise.shot, 4),
        "sigma_px_median": _median(np.sqrt(np.einsum("nii->n", measured.covariance[good]) / 2.0)),
        "light_codes_median": _median(measured.light[good]),
        "drift_px": drift,
        "shift_px_by_file": _by_file(view, measured.shifts),
        "light_by_file": [round(float(one), 4) for one in measured.flicker],
        "dead_columns": measured.dead_columns,
        "dead_rows": measured.dead_rows,
        "ghosts": _ghosts(view, measured),
        "ghost_light_removed": any(kind == CODE for kind in view.kinds),
        "longest_exposure_ms": longest_ms,
    }
    return _words(figures, measured, view), figures


def _words(figures: dict[str, Any], measured: Measured, view: View) -> list[str]:
    words = []
    if figures["camera_px_per_panel_px"] < LEAST_RATIO:
        words.append(
            f"{figures['camera_px_per_panel_px']:.2f} px of the photograph per panel px; below "
            f"{LEAST_RATIO} the "
            "panel's pixels beat with the camera's (moire). Use a longer focal length, or larger dots."
        )
    if measured.smear > _SMEAR_PX and measured.smear > 0.8 * measured.blur_px:
        words.append(
            f"dots are drawn out by a blur of {measured.smear:.1f} px: the camera shook or the "
            "stage moved. Wait until it is still, or shorten the exposure."
        )
    elif measured.blur_px > _BLUR_PX:
        words.append(
            f"blur of {measured.blur_px:.1f} px (1-sigma): out of focus? Focus on the panel's image."
        )
    if figures["drift_px"] is not None and figures["drift_px"] > _DRIFT_PX:
        words.append(
            f"the picture drifted by {figures['drift_px']:.2f} px between whole frames; places are means "
            "over the frames. Let the bench warm up, or use the one-frame plan."
        )
    lost = np.count_nonzero(measured.state == SATURATED)
    if lost > _SATURATED_SHARE * len(measured.state):
        words.append(
            f"{lost} of {len(measured.state)} dots are saturated in every frame and left out. Shorten "
            "the exposure, or add a shorter one to the plan."
        )
    covered = np.count_nonzero(measured.state == COVERED)
    if covered > 0.2 * len(measured.state):
        words.append(f"{covered} of {len(measured.state)} dots are covered in part. Clean panel and optics.")
    if not figures["ghost_light_removed"] and view.needs_codes:
        words.append("no code frames of this colour: light of ghosts and neighbours stays in its dots.")
    return words


def _drift(view: View, measured: Measured) -> float | None:
    """Return the longest way between two whole frames, px; None where there is only one."""
    whole = [k for k, kind in enumerate(view.kinds) if kind == WHOLE]
    place = measured.shifts[whole]
    place = place[np.isfinite(place).all(axis=1)]
    if len(place) < 2:
        return None
    return round(float(np.max(np.linalg.norm(place[:, None] - place[None], axis=-1))), 4)


def _by_file(view: View, shifts: FloatArray) -> dict[str, list[float] | None]:
    return {
        file: [round(float(x), 4), round(float(y), 4)] if np.isfinite(x + y) else None
        for file, (x, y) in zip(view.files, shifts, strict=True)
    }


def _ghosts(view: View, measured: Measured) -> dict[str, Any] | None:
    """Return how strong ghosts are that were seen apart, and how far off, px."""
    if view.ghosts is None or len(view.ghosts.of) == 0:
        return None
    strength, offset = view.ghosts.strength, view.ghosts.offset
    return {
        "seen_apart": len(strength),
        "strength_median": _median(strength),
        "strength_largest": round(float(strength.max()), 5),
        "offset_px_median": [round(float(one), 2) for one in np.median(offset, axis=0)],
    }


def _median(values: FloatArray) -> float | None:
    return round(float(np.median(values)), 5) if len(values) else None
