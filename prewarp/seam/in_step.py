"""Time over all overlaps of an eye: how far its panels are out of step, and how they would meet in time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil
from prewarp.errors import SeamError
from prewarp.scan import PanelScan
from prewarp.seam.overlap import Overlap
from prewarp.seam.scan_advice import PanelTime, ScanAdvice, SharedPoints, advise_scans
from prewarp.seam.timing import SeamTiming, seam_timing, timing_not_known

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet


@dataclass(frozen=True)
class PanelsInStep:
    """Figures of each overlap, in the order asked for, and advice for the eye.

    `advice` is None where there is no overlap, or for more panels than are looked through.
    """

    timings: tuple[SeamTiming, ...]
    advice: ScanAdvice | None


def panels_in_step(
    fields: "FieldSet",
    scans: Mapping[str, PanelScan | None],
    overlaps: Sequence[Overlap],
    /,
    *,
    pupils_mm: ArrayLike,
    colour: str | None = None,
) -> PanelsInStep:
    """Return how far the panels of an eye are out of step, and how to light them to meet in time.

    Parameters
    ----------
    fields : FieldSet
    scans : mapping
        Channel name to when its panel's lines are lit (`Eye.scans`).
    overlaps : sequence of Overlap
        `Eye.overlaps()`.
    pupils_mm : (3,) or (p, 3) float array
        Pupil positions considered, mm; times along directions are told for the first.
    colour : str, optional
        The fit's first if not given.

    Raises
    ------
    SeamError
        A scan is not declared (ask `timing_not_known` before), or an overlap holds no direction of both.
    """
    names = tuple(dict.fromkeys(name for one in overlaps for name in one.channels))
    lacking = timing_not_known(scans, names)
    if lacking is not None:
        raise SeamError(lacking.text())
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    colour = colour or fields.colours[0]
    of_channel = {name: fields.field(name, colour) for name in names}
    known = {name: scan for name in names if (scan := scans[name]) is not None}
    timings, shared = [], []
    for overlap in overlaps:
        first, second = (of_channel[name] for name in overlap.channels)
        pair = (known[overlap.channels[0]], known[overlap.channels[1]])
        points = [_points(field, overlap.tangent, pupils) for field in (first, second)]
        seen = np.isfinite(points).all(axis=(0, 2))
        if not seen.any():
            raise SeamError(
                f"channels '{overlap.channels[0]}' and '{overlap.channels[1]}': none of "
                f"{len(overlap.tangent)} directions is on both panels. Take directions of their overlap."
            )
        timings.append(seam_timing(first, second, pair, overlap.tangent, pupils_mm=pupils))
        shared.append(SharedPoints(overlap.channels, np.stack([one[seen] for one in points])))
    panels = {name: PanelTime(of_channel[name].panel_size_px, known[name]) for name in names}
    return PanelsInStep(tuple(timings), advise_scans(panels, shared))


def _points(field: "Field", tangent: FloatArray, pupils: FloatArray) -> FloatArray:
    """Return the panel points (p n, 2), px, of directions (n, 2) from pupils (p, 3); NaN out of reach."""
    return np.concatenate([field.inverse(tangent, pupil_mm=pupil).pixel for pupil in pupils])
