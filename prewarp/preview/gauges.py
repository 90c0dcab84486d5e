"""The numbers of the overlay: seam error now and over the last seconds, focus step, frame time."""

from collections import deque
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from prewarp.budget import Tracker
from prewarp.checks import FloatArray
from prewarp.focus import focus_at
from prewarp.frames import arcmin_between
from prewarp.head import HeadTurn, TurningField, require_scan
from prewarp.preview.subject import Subject
from prewarp.preview.views import shared_directions
from prewarp.seam import seam_error

# Directions along the seam at which it is judged, for each pair of channels.
PROBES = 32
WINDOW_SECONDS = 5.0
_FRAMES = 120


@dataclass(frozen=True)
class SeamReading:
    """The worst error of all probes, NaN where none is seen twice; the largest median focus step of a pair of
    channels along the seam, and the largest one anywhere.
    """

    error_arcmin: float
    focus_step_dioptres: float
    focus_step_largest_dioptres: float = np.nan


class SeamGauge:
    """Reads seam error and focus step of a subject at fixed directions along the seam, in green."""

    def __init__(self, subject: Subject, /) -> None:
        colours = subject.eye.fields.colours
        colour = "G" if "G" in colours else colours[0]
        self._fields = {name: subject.eye.fields.field(name, colour) for name in subject.eye.channels}
        self._scans = subject.eye.scans
        self._probes: list[tuple[str, str, FloatArray]] = []
        shared, seam = shared_directions(subject), subject.eye.seam
        if len(shared):
            weights = seam.weights(shared)
            order = {name: seam.index(name) for name in subject.eye.channels}
            for one, other in combinations(subject.eye.channels, 2):
                both = np.minimum(weights[order[one]], weights[order[other]]) > 0.1
                chosen = shared[both]
                if len(chosen):
                    pick = np.linspace(0, len(chosen) - 1, min(PROBES, len(chosen))).round().astype(int)
                    self._probes.append((one, other, chosen[pick]))

    @property
    def has_seam(self) -> bool:
        """Whether there is anything to read."""
        return bool(self._probes)

    def read(
        self,
        pupil_mm: FloatArray,
        tracked_mm: FloatArray,
        /,
        *,
        head: HeadTurn | None = None,
        late: bool = True,
    ) -> SeamReading:
        """Return the reading for a pupil and a tracked pupil, (3,) mm each.

        `head`: how it turns while panels are lit; `late`: they are drawn with late rotation.
        """
        worst, step, largest = np.nan, np.nan, np.nan
        for one, other, tangent in self._probes:
            a, b = self._fields[one], self._fields[other]
            found = seam_error(a, b, tangent, pupil_mm=pupil_mm, tracked_pupil_mm=tracked_mm)
            if not found.valid.any():
                continue
            errors = found.error_arcmin[found.valid]
            if head is not None and not head.is_still:
                shown = [
                    self._shown(name, tangent, pupil_mm, tracked_mm, head, late) for name in (one, other)
                ]
                errors = arcmin_between(*shown)
                errors = errors[np.isfinite(errors)]
            worst = np.fmax(worst, errors.max(initial=0.0))
            depth = [
                focus_at(field, shown[found.valid], pupil_mm=pupil_mm).dioptres
                for field, shown in zip((a, b), found.shown, strict=True)
            ]
            steps = depth[1] - depth[0]
            step = np.fmax(step, abs(float(np.nanmedian(steps))))
            largest = np.fmax(largest, float(np.nanmax(np.abs(steps))))
        return SeamReading(float(worst), float(step), float(largest))

    def largest_arcmin(self, tracker: Tracker, tracking: str, pupils_mm: FloatArray, /) -> float:
        """Return the largest seam error at pupils (n, 3), mm, for one of `TRACKERS`; NaN without any.

        A noisy tracker is taken three sigma off; what it loses while the eye moves is not in it.
        """
        off = 3.0 * (tracker.accuracy_mm + tracker.noise_mm) * np.array([1.0, 1.0, tracker.depth_ratio])
        away = {"ideal": np.zeros(3), "noisy": off}
        found = [
            self.read(pupil, pupil + away[tracking] if tracking in away else np.zeros(3)).error_arcmin
            for pupil in pupils_mm
        ]
        return float(np.fmax.reduce(found)) if found else np.nan

    def _shown(
        self,
        name: str,
        tangent: FloatArray,
        pupil_mm: FloatArray,
        tracked_mm: FloatArray,
        head: HeadTurn,
        late: bool,
    ) -> FloatArray:
        """Return where a channel shows content of directions (n, 2), in the pose drawn for; NaN off it."""
        turning = TurningField(self._fields[name], require_scan(self._scans[name], name), head)
        drawn = turning if late else turning.field
        return turning.forward(drawn.inverse(tangent, pupil_mm=tracked_mm).pixel, pupil_mm=pupil_mm)


class RecentErrors:
    """Seam errors of the last `WINDOW_SECONDS` and their 95th percentile."""

    def __init__(self) -> None:
        self._readings: deque[tuple[float, float]] = deque()

    def add(self, now_s: float, error_arcmin: float, /) -> None:
        """Note a reading; NaN is left out."""
        if np.isfinite(error_arcmin):
            self._readings.append((now_s, error_arcmin))
        while self._readings and not now_s - WINDOW_SECONDS <= self._readings[0][0] <= now_s:
            self._readings.popleft()

    @property
    def p95_arcmin(self) -> float:
        """95 % of the readings are below; NaN without any."""
        return (
            float(np.percentile([error for _, error in self._readings], 95.0)) if self._readings else np.nan
        )


class FrameClock:
    """Frame times of the last frames, ms."""

    def __init__(self) -> None:
        self._times: deque[float] = deque(maxlen=_FRAMES)
        self._last: float | None = None

    def tick(self, now_s: float, /) -> None:
        """Note that a frame was shown."""
        if self._last is not None:
            self._times.append((now_s - self._last) * 1000.0)
        self._last = now_s

    def pause(self) -> None:
        """Leave the gap to the next frame out: the window was hidden."""
        self._last = None

    @property
    def frame_ms(self) -> float:
        """Median time from frame to frame; NaN before the second."""
        return float(np.median(self._times)) if self._times else np.nan
