"""The demo's figures of one module: fit against truth, seam error, field of view, sharpness, light. Units are
in the keys.
from typing import Any
"""

from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.demo.capture import NOISE_PX, Capture
from prewarp.demo.truth import TracedOptics
from prewarp.field import FieldSet, compare_grid
from prewarp.frames import arcmin_between
from prewarp.photometry import LightMatch
from prewarp.render.seam_light import SeamLight
from prewarp.seam import FieldOfView, Overlap, Seam, field_of_view

CENTRED_MM = np.zeros(3)
MOVED_MM = np.array([3.0, 0.0, 0.0])
# (pupil, tracked pupil) of the three states that are compared.
STATES = {
    "centred": (CENTRED_MM, CENTRED_MM),
    "moved_untracked": (MOVED_MM, CENTRED_MM),
    "moved_tracked": (MOVED_MM, MOVED_MM),
}
_DEGREES = 180.0 / np.pi


def fit_figures(fields: FieldSet, capture: Capture, /) -> dict[str, Any]:
    """Return how far the fit lies from the captured samples (`residual`) and from the noise-free ones
    (`truth`).
    """
    truth = compare_grid(fields, capture.truth)
    seen = np.full_like(truth.predicted_px, np.nan)
    grid = capture.grid
    for channel, colour in grid.pairs():
        rows = np.flatnonzero(grid.rows_of(channel, colour))
        seen[rows] = fields.field(channel, colour).forward(grid.pixel[rows], pupil_mm=grid.pupil_mm[rows])
    named = np.isin(grid.row, [row for report in fields.reports for row in report.outlier_rows])
    spoilt = np.isin(grid.row, capture.outlier_rows)
    used = ~named & ~truth.lost
    distance = np.linalg.norm(truth.predicted_px - grid.pixel, axis=1)
    summary = fields.summary()
    known = truth.as_dict()
    return {
        "samples": len(grid),
        "parameters": summary["parameters"],
        "noise_put_in_px": NOISE_PX,
        "noise_found_px": float(
            np.sqrt(np.mean([np.square(report.sigma_px).mean() for report in fields.reports]))
        ),
        "floor_px": summary["floor_px"],
        "residual": {
            **_spread(distance[used], "px"),
            **_spread(arcmin_between(grid.tangent, seen)[used], "arcmin"),
        },
        "truth": known["all"],
        "truth_inside": known["inside"],
        "outliers_put_in": len(capture.outlier_rows),
        "outliers_named": int(np.sum(named & spoilt)),
        "false_positives": int(np.sum(named & ~spoilt)),
        "models": {report.channel: report.model for report in fields.reports},
    }


def seam_errors(optics: TracedOptics, fields: FieldSet, overlap: Overlap, /) -> dict[str, FloatArray]:
    """Return the true seam error (n,) in arcmin for each of `STATES`, in the reference colour."""
    colour = fields.colours[0]
    pair = {channel: fields.field(channel, colour) for channel in fields.channels}
    return {
        name: optics.seam_error_arcmin(pair, overlap.tangent, pupil_mm=pupil, tracked_pupil_mm=tracked)
        for name, (pupil, tracked) in STATES.items()
    }


def seam_figures(errors: dict[str, FloatArray], /) -> dict[str, Any]:
    """Return RMS, p95 and largest seam error of each state, arcmin."""
    return {
        name: {"directions": int(np.isfinite(error).sum()), **_spread(error[np.isfinite(error)], "arcmin")}
        for name, error in errors.items()
    }


def reach_figures(fields: FieldSet, seam: Seam, /) -> dict[str, Any]:
    """Return fields of view from the whole eye box, overlap at eye level, feather, and px per degree of each
    channel.
    """
    first, second = (reach.chord(np.zeros(2), np.array([1.0, 0.0])) for reach in seam.reaches)
    assert first is not None and second is not None  # both modules show straight ahead
    start, end = max(first[0], second[0], key=lambda t: t[0]), min(first[1], second[1], key=lambda t: t[0])
    return {
        "field_of_view": {
            **{reach.channel: _angles(field_of_view(reach)) for reach in seam.reaches},
            "joined": _angles(field_of_view(seam.reaches)),
        },
        "overlap_at_eye_level_deg": float(arcmin_between(start, end)) / 60.0,
        "feather_deg": seam.feather_deg,
        "px_per_degree": {channel: px_per_degree(fields, channel) for channel in fields.channels},
    }


def px_per_degree(fields: FieldSet, channel: str, /) -> float:
    """Return how many px lie in a degree at the middle of a channel's panel, geometric mean of both ways,
    pupil centred.

    A px fills the solid angle |det d(tx, ty)/d(u, v)| / (1 + |t|^2)^(3/2) (from the area of a tangent plane).
    """
    field = fields.field(channel, fields.colours[0])
    middle = np.array(field.panel_size_px) / 2.0
    tangent = field.forward(middle, pupil_mm=CENTRED_MM)
    area = abs(np.linalg.det(field.jacobian(middle, pupil_mm=CENTRED_MM))) / (1.0 + tangent @ tangent) ** 1.5
    return float(1.0 / (np.sqrt(area) * _DEGREES))


def light_figures(seen: SeamLight, match: LightMatch, /) -> dict[str, Any]:
    """Return step and ripple of luminance across the seam, worst line and colour, before and after the match;
    what it costs.
    """
    return {
        **{
            state: {
                "step_percent": max(profile.expected_step_percent for profile in profiles.values()),
                "ripple_percent": float(max(profile.ripple_percent.max() for profile in profiles.values())),
            }
            for state, profiles in (("before", seen.before), ("after", seen.after))
        },
        "kept_percent": match.kept_percent,
    }


def _angles(view: FieldOfView) -> dict[str, Any]:
    return {
        "horizontal_deg": view.horizontal_deg,
        "vertical_deg": view.vertical_deg,
        "diagonal_deg": view.diagonal_deg,
    }


def _spread(values: FloatArray, unit: str) -> dict[str, Any]:
    if values.size == 0:
        return {f"{name}_{unit}": None for name in ("rms", "p95", "max")}
    return {
        f"rms_{unit}": float(np.sqrt(np.mean(values**2))),
        f"p95_{unit}": float(np.quantile(values, 0.95)),
        f"max_{unit}": float(values.max()),
    }
