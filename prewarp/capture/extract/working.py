"""How much memory a process takes that extracts a pose, told before a photograph is read."""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from prewarp.capture.extract.cutting import half_around
from prewarp.capture.extract.dense import SINE_SIDE_PX
from prewarp.capture.extract.finding import MOST_PIXELS
from prewarp.capture.extract.frames import CODE, WHOLE
from prewarp.capture.extract.pose import ONE, PoseTask
from prewarp.checks import FloatArray
from prewarp.memory import PROGRAM_BYTES

# Bytes by measurement. A pixel of a photograph: as it is read; where dots are looked for, of pixels joined to
# `MOST_PIXELS` at most. A pixel of a dot's windows in all frames of a view. A pixel of a sine's windows, of
# each shift and beside them.
_READ, _SEARCHED, _WINDOW, _SHIFT, _PHASES = 8, 25, 16, 46, 64
_OF_DOTS = (WHOLE, CODE, ONE)


def working_bytes(tasks: Sequence[PoseTask], /) -> float:
    """Return how much memory a process takes for the largest of the poses, bytes.

    The panel is taken to fill the photograph, and every dot to be seen once: ghosts that stand apart from
    dots, and dust, come on top.
    """
    return PROGRAM_BYTES + max(max(_of_view(task, channel) for channel in _channels(task)) for task in tasks)


def _channels(task: PoseTask) -> list[str]:
    return [name for name in task.marks.channels if any(row.channel == name for row in task.rows)] or [""]


def _of_view(task: PoseTask, channel: str) -> float:
    pixels = task.camera.width_px * task.camera.height_px
    search = _READ * pixels + _SEARCHED * min(pixels, MOST_PIXELS)
    if not channel:
        return search
    marks = task.marks.of(channel)
    counted = Counter(row.colour for row in task.rows if row.channel == channel and row.kind in _OF_DOTS)
    side = 2 * half_around(_radius_px(task, marks.panel_px, marks.radius_px)) + 1
    windows = _WINDOW * max(counted.values(), default=0) * len(marks.mark) * side**2
    sines = 0.0
    if channel in task.sines and task.dense:
        points = len(marks.mark) * task.dense**2
        sines = points * SINE_SIDE_PX**2 * (_SHIFT * task.sines[channel].shifts + _PHASES)
    return max(search, _READ * pixels + windows, _READ * pixels + sines)


def _radius_px(task: PoseTask, panel_px: FloatArray, radius_px: FloatArray) -> float:
    """Return the radius of a large dot in a photograph that the panel's dots fill, px."""
    extent = np.maximum(np.ptp(panel_px, axis=0), 1.0)
    return float(np.quantile(radius_px, 0.8) * np.min(np.array(task.camera.size_px) / extent))
