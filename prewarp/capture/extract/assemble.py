"""From the results of poses to one grid and one report."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.extract.notes import REFUSED, in_short
from prewarp.capture.extract.pose import NO_MARK, PoseResult, Rows
from prewarp.capture.extract.seams import Pairs
from prewarp.capture.tables import write_table
from prewarp.checks import FloatArray
from prewarp.errors import CaptureError
from prewarp.grids import Grid, grid_from_samples


def grid_of(results: Sequence[PoseResult], source: str, /) -> Grid:
    """Return the grid of all rows of all poses: README's columns with sigma_px, luminance, pose and its turn.

    Directions are in the wearer's frame, through the nominal turn of the pose. Luminance is relative to the
    brightest row. `mark` (-1: no dot, but a point that sines show) and `ghost` (the strongest ghost of that
    dot, relative to it; NaN where none was seen) are further columns.

    Raises
    ------
    CaptureError
        No pose gave a row.
    """
    counts = [len(one.rows) for one in results]
    if sum(counts) == 0:
        lines = in_short([line for one in results for line in one.findings])
        # Views that only lack the names of a refused one say little.
        refused = [line for line in lines if REFUSED in line and _NO_NAMES not in line]
        causes = [line for line in lines if REFUSED not in line]
        told = [one.replace(REFUSED, ": ") for one in refused[:_MOST_REASONS]] + causes[:_MOST_REASONS]
        why = "".join(f" P{line[1:]}" if line.startswith("pose ") else f" {line}" for line in told)
        raise CaptureError(f"no dot of any pose was measured; nothing to write.{why}")

    def joined(name: str) -> np.ndarray:
        return np.concatenate([getattr(one.rows, name) for one in results if len(one.rows)])

    def a_pose(values: Sequence[Any]) -> np.ndarray:
        return np.repeat(np.array(values), counts, axis=0)

    luminance = joined("luminance")
    turns = a_pose([one.turn_deg for one in results])
    return grid_from_samples(
        channel=joined("channel"),
        colour=joined("colour"),
        pupil_mm=a_pose([one.pupil_mm for one in results]),
        tangent=joined("tangent"),
        pixel=joined("panel"),
        luminance=luminance / max(float(np.nanmax(luminance)), 1e-300),
        sigma_px=joined("sigma_px"),
        extra={
            "pose": a_pose([one.name for one in results]),
            "yaw_deg": turns[:, 0],
            "pitch_deg": turns[:, 1],
            "roll_deg": turns[:, 2],
            "mark": joined("mark"),
            "ghost": joined("ghost"),
        },
        source=source,
    )


# Of poses without a dot so many are told of where there is none at all.
_MOST_REASONS = 2
_NO_NAMES = "no code frames"
PAIR_COLUMNS = (
    "channel_a", "channel_b", "color", "eye_x_mm", "eye_y_mm", "eye_z_mm", "panel_a_u_px", "panel_a_v_px",
    "panel_b_u_px", "panel_b_v_px", "step_x_arcmin", "step_y_arcmin", "sigma_arcmin", "pose",
)  # fmt: skip


def write_pairs(results: Sequence[PoseResult], path: Path, /) -> None:
    """Write the seam pairs of all poses as `register` reads them (CSV), with the pose beside."""
    rows = [
        [*names, *one.pupil_mm.tolist(), *a, *b, *step, sigma, one.name]
        for one in results
        for *names, a, b, step, sigma in zip(
            *(getattr(one.pairs, name).tolist() for name in Pairs.__dataclass_fields__), strict=True
        )
    ]
    write_table(path, PAIR_COLUMNS, rows)


def report_of(results: Sequence[PoseResult], /) -> dict[str, Any]:
    """Return all that is told of the poses, for machines; units are in the keys."""
    rows = [one.rows for one in results]
    return {
        "rows": int(sum(len(one) for one in rows)),
        "poses": {
            one.name: {
                "rows": len(one.rows),
                "findings": one.findings,
                "refused_views": one.refused_views,
                "refused_dots": one.refused,
                **one.figures,
            }
            for one in results
        },
        "poses_without_rows": [one.name for one in results if len(one.rows) == 0],
        "ghost": _ghost(rows),
        "seam_pairs": int(sum(len(one.pairs) for one in results)),
    }


def _ghost(rows: Sequence[Rows]) -> dict[str, Any] | None:
    """Return the display's ghost figure: strongest ghosts of dots, over all poses."""
    dots = [one.ghost[one.mark != NO_MARK] for one in rows]
    strength: FloatArray = np.concatenate(dots) if dots else np.zeros(0)
    seen = strength[np.isfinite(strength)]
    if len(seen) == 0:
        return None
    return {
        "dots_with_a_ghost": len(seen),
        "of_dots": len(strength),
        "strength_median": round(float(np.median(seen)), 5),
        "strength_p95": round(float(np.quantile(seen, 0.95)), 5),
        "strength_largest": round(float(seen.max()), 5),
    }
