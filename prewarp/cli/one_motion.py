"""What `prewarp sensitivity` says of a seam whose capture does not show every motion of the pupil."""

from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.cli.talk import number
from prewarp.eye import Eye
from prewarp.field import common_motion
from prewarp.seam import sensitivity_map

_STEP_DEG = 1.0
# Keys of `SensitivityMap.as_dict` and of the command that need every motion.
_UNKNOWN = (
    "directions",
    "sensitivity_mean_arcmin_per_mm",
    "difference_centred_rms_arcmin_per_mm",
    "difference_centred_max_arcmin_per_mm",
    "fixed_worst_arcmin",
    "tracked_worst_arcmin_per_mm",
    "tracked_worst_arcmin",
)


def unknown_seams(eye: Eye, pupils_mm: FloatArray, colour: str, /) -> list[dict[str, Any]]:
    """Return the figures of an eye's seams, None each; `along_motion` holds what one line of pupils shows.

    Parameters
    ----------
    eye : Eye
    pupils_mm : (n, 3) float array
        Pupil positions over the eye box, mm; those on the captured line are taken.
    colour : str
    """
    motion = common_motion(eye.fields, eye.channels)
    if motion is None:
        pairs = zip(eye.channels[:-1], eye.channels[1:], strict=True)
        return [{"channels": list(pair), **dict.fromkeys(_UNKNOWN), "along_motion": None} for pair in pairs]
    line = _on_line(eye, pupils_mm, motion)
    found = []
    for pair in eye.joined_over(line).overlaps(step_deg=_STEP_DEG):
        first, second = (eye.fields.field(name, colour) for name in pair.channels)
        one = sensitivity_map(first, second, pair.tangent, pupils_mm=line, fixed_at_mm=line[len(line) // 2])
        per_mm = np.linalg.norm(one.difference_arcmin_per_mm[..., :2] @ motion, axis=-1)
        along = {
            "motion": motion.tolist(),
            "pupil_low_mm": line.min(axis=0).tolist(),
            "pupil_high_mm": line.max(axis=0).tolist(),
            "difference_centred_rms_arcmin_per_mm": float(np.sqrt(np.nanmean(per_mm**2))),
            "fixed_worst_arcmin": float(np.nanmax(one.fixed_worst_arcmin)),
        }
        found.append({"channels": list(pair.channels), **dict.fromkeys(_UNKNOWN), "along_motion": along})
    return found


def along_text(figures: dict[str, Any], /) -> str:
    """Return in one sentence what one line of pupils shows of a seam."""
    along, (first, second) = figures["along_motion"], figures["channels"]
    x, y = along["motion"]
    return (
        f"'{first}' and '{second}', pupils on the captured line along ({x:.3g}, {y:.3g}) alone: "
        f"{number(along['difference_centred_rms_arcmin_per_mm'], 3)} arcmin per mm, pupil centred; fixed "
        f"correction: at worst {number(along['fixed_worst_arcmin'], 3)} arcmin."
    )


def _on_line(eye: Eye, pupils_mm: FloatArray, motion: FloatArray) -> FloatArray:
    """Return pupils (n, 3) in the plane z = 0 on the line that every channel's capture holds, mm, in order.

    As far along it as both the pupils asked about and the captures go.
    """
    corners = [eye.fields.captured[name].corners_mm for name in eye.channels]
    across = np.array([-motion[1], motion[0]])
    offset = float(np.mean([one[:, :2] @ across for one in corners][0]))
    asked = pupils_mm[:, :2] @ motion
    low = max(asked.min(), *(float((one[:, :2] @ motion).min()) for one in corners))
    high = min(asked.max(), *(float((one[:, :2] @ motion).max()) for one in corners))
    place = np.linspace(low, high, 9)
    flat = place[:, None] * motion + offset * across
    return np.column_stack([flat, np.zeros(len(flat))])
