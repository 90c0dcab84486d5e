"""Seam frames: dots of two channels seen in turn from one pose, and how far apart each pair is seen."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.capture.camera import Camera, pose_rotation, turned_by
from prewarp.capture.extract.codeless import measure_near
from prewarp.capture.extract.frames import Frame, PanelMarks, Sensor
from prewarp.capture.extract.measure import FOUND
from prewarp.capture.extract.smooth import best_map
from prewarp.capture.extract.view import View
from prewarp.capture.plan import Photograph
from prewarp.capture.seam_marks import SeamMarks
from prewarp.checks import FloatArray, StringArray
from prewarp.frames import arcmin_step

_SIGMA_STEP_PX = 0.5


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs (k,) of one pose: panel points (k, 2) px, step (k, 2) from a's picture to b's, arcmin right and
    up, and its 1-sigma (k,) by axis.
    """

    channel_a: StringArray
    channel_b: StringArray
    colour: StringArray
    panel_a: FloatArray
    panel_b: FloatArray
    step_arcmin: FloatArray
    sigma_arcmin: FloatArray

    def __len__(self) -> int:
        return len(self.sigma_arcmin)

    def without(self, channels: Collection[str], /) -> "Pairs":
        """Return those that have none of these channels."""
        keep = ~(np.isin(self.channel_a, list(channels)) | np.isin(self.channel_b, list(channels)))
        return Pairs(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))

    @classmethod
    def joined(cls, parts: "Sequence[Pairs]", /) -> "Pairs":
        """Return several as one."""
        names = cls.__dataclass_fields__
        return cls(*(np.concatenate([getattr(one, name) for one in (NO_PAIRS, *parts)]) for name in names))


_TEXT, _POINTS = np.zeros(0, dtype="<U1"), np.zeros((0, 2))
NO_PAIRS = Pairs(_TEXT, _TEXT, _TEXT, _POINTS, _POINTS, _POINTS, np.zeros(0))


def seam_pairs(
    rows: Sequence[Photograph],
    seams: Mapping[int, SeamMarks],
    views: Mapping[tuple[str, str], View],
    marks: Mapping[str, PanelMarks],
    camera: Camera,
    sensor: Sensor,
    frame_of: Callable[[Photograph], Frame],
    findings: list[str],
    /,
) -> Pairs:
    """Return the pairs of a pose.

    Parameters
    ----------
    rows : sequence of Photograph
        Its seam frames.
    seams : mapping of int to SeamMarks
        Dots by the step of the plan.
    views : mapping of (channel, colour) to View
        What was measured of named dots: where a panel point is looked for.
    """
    parts = []
    for step in dict.fromkeys(row.step for row in rows):
        if step not in seams:
            findings.append(
                f"seam frames of step {step}: not in seam.csv; left out. Write the targets again."
            )
            continue
        one = seams[step]
        seen = []
        for channel in one.channels:
            own = [row for row in rows if row.step == step and row.channel == channel]
            view = views.get((channel, one.colour))
            if not own or view is None or view.measured is None:
                findings.append(
                    f"seam frames of step {step}: needs a photograph of '{channel}' and its named dots in "
                    f"{one.colour}; left out."
                )
                break
            seen.append(
                _seen(one.of(channel), one.radius_px, view, marks[channel], own, camera, sensor, frame_of)
            )
        if len(seen) == 2:
            (tangent_a, sigma_a), (tangent_b, sigma_b) = seen
            good = np.flatnonzero(np.isfinite(tangent_a + tangent_b).all(axis=1))
            if len(good) < len(one.pixel_a):
                findings.append(
                    f"seam frames of step {step}: {len(good)} of {len(one.pixel_a)} pairs were seen whole "
                    "in both."
                )
            count = len(good)
            parts.append(
                Pairs(
                    np.full(count, one.channels[0]),
                    np.full(count, one.channels[1]),
                    np.full(count, one.colour),
                    one.pixel_a[good],
                    one.pixel_b[good],
                    arcmin_step(tangent_a[good], tangent_b[good]),
                    np.hypot(sigma_a, sigma_b)[good],
                )
            )
    return Pairs.joined(parts)


def _seen(
    panel: FloatArray,
    radius_px: float,
    view: View,
    marks: PanelMarks,
    rows: Sequence[Photograph],
    camera: Camera,
    sensor: Sensor,
    frame_of: Callable[[Photograph], Frame],
) -> tuple[FloatArray, FloatArray]:
    """Return directions (n, 2), wearer's frame, of dots at panel points, NaN where not seen, and 1-sigma (n,)
    arcmin by axis.
    """
    known = view.measured
    assert known is not None
    good = known.state == FOUND
    expected = best_map(marks.panel[view.mark[good]], known.place[good])(panel)
    count = len(panel)
    dots = PanelMarks(np.arange(count), panel, np.full(count, radius_px), np.zeros((count, 13), dtype=bool))
    tangent, sigma = np.full((count, 2), np.nan), np.full(count, np.nan)
    found = measure_near([frame_of(row) for row in rows], dots, expected, sensor, known)
    if found is None:
        return tangent, sigma
    mark, measured = found
    fine = measured.state == FOUND
    place, mark = measured.place[fine], mark[fine]
    rotation = pose_rotation(*rows[0].turn_deg)
    tangent[mark] = turned_by(camera.tangent(place), rotation)
    off = np.sqrt(np.einsum("nii->n", measured.covariance[fine]) / 2.0)
    step = [
        arcmin_step(*(camera.tangent(place + sign * _SIGMA_STEP_PX * axis) for sign in (-1.0, 1.0)))
        for axis in np.eye(2)
    ]
    arcmin_a_px = np.sqrt(np.mean([np.sum(one**2, axis=1) for one in step], axis=0))
    sigma[mark] = off * arcmin_a_px / (2.0 * _SIGMA_STEP_PX)
    return tangent, sigma
