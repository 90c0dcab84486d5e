"""Where things go in a frame: the view, the panels, and how much of the field a view shows."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.content import focal_lengths_from_tangent
from prewarp.preview.state import ZOOMS, State
from prewarp.preview.subject import Subject
from prewarp.render.live.outlook import Outlook

# Panels are drawn smaller where a view shows less than their pixels, down to this.
MOST_SHRINK = 8
# Pixels of a panel for each pixel of a view, at least: fewer make fine lines beat with the pixels. COARSE is
# for drivers that draw on the CPU.
FINE, COARSE = 1.4, 1.0
_GAP_PX = 8
_SHARE_OF_VIEW = 0.6


@dataclass(frozen=True)
class Box:
    """A part of a frame, px; row 0 is the top."""

    left: int
    top: int
    width: int
    height: int

    def holds(self, x: float, y: float) -> bool:
        """Return True where a point lies inside."""
        return self.left <= x < self.left + self.width and self.top <= y < self.top + self.height


@dataclass(frozen=True)
class Regions:
    """Where the perceived view and each channel's panel go; None and empty where they are not shown."""

    view: Box | None
    panels: tuple[Box, ...]


def regions_of(view: str, size_px: tuple[int, int], subject: Subject, /) -> Regions:
    """Return where a kind of view puts its pictures in a frame."""
    width, height = size_px
    if view == "panels":
        return Regions(None, _side_by_side(Box(0, 0, width, height), subject))
    if view == "both":
        split = round(height * _SHARE_OF_VIEW)
        return Regions(
            Box(0, 0, width, split), _side_by_side(Box(0, split, width, max(height - split, 1)), subject)
        )
    return Regions(Box(0, 0, width, height), ())


def _side_by_side(box: Box, subject: Subject) -> tuple[Box, ...]:
    """Return one box per channel, as large as fits, each of its panel's shape."""
    sizes = [subject.tables[name].panel_size_px for name in subject.eye.channels]
    room = (max(box.width - _GAP_PX * (len(sizes) + 1), len(sizes)), max(box.height - 2 * _GAP_PX, 1))
    aspects = [width / height for width, height in sizes]
    height = max(int(min(room[1], room[0] / sum(aspects))), 1)
    widths = [max(int(height * aspect), 1) for aspect in aspects]
    left = box.left + (box.width - sum(widths) - _GAP_PX * (len(sizes) - 1)) // 2
    top = box.top + (box.height - height) // 2
    boxes = []
    for width in widths:
        boxes.append(Box(left, top, width, height))
        left += width + _GAP_PX
    return tuple(boxes)


def outlook_of(state: State, subject: Subject, box: Box | None, centre: FloatArray, /) -> Outlook:
    """Return how the view lies in its box: all of the content, or the seam's middle (plane point) larger."""
    size = (box.width, box.height) if box is not None else subject.eye.content.size_px
    whole = Outlook.whole(subject.eye.content, size)
    factor = ZOOMS[state.zoom]
    if factor == 1.0:
        return whole
    scale = whole.scale_px * factor
    middle = np.array(size) / 2.0 - centre * np.array([scale, -scale])
    return Outlook(size, (float(middle[0]), float(middle[1])), scale)


def shrink_for(subject: Subject, outlook: Outlook, /, *, finesse: float = FINE) -> int:
    """Return how many times smaller panels can be drawn for a view of few pixels: 1, 2, 4 or 8.

    Panels keep at least `finesse` pixels for each of the view's.
    """
    finest = max(subject.tables[name].px_per_cosine for name in subject.eye.channels)
    shrink = 1
    while shrink < MOST_SHRINK and finest / (2 * shrink) >= finesse * outlook.scale_px:
        shrink *= 2
    return shrink


def centre_of_seam(subject: Subject, /) -> FloatArray:
    """Return the middle of where channels share the light, as a point of the content's plane (2,)."""
    if not subject.eye.has_seam:
        return np.zeros(2)
    shared = shared_directions(subject)
    return focal_lengths_from_tangent(shared.mean(axis=0), subject.eye.content.projection)


def shared_directions(subject: Subject, /, *, most: int = 4096) -> FloatArray:
    """Return directions (n, 2), tangents, that two channels show with at least a tenth of the light each."""
    if not subject.eye.has_seam:
        return np.zeros((0, 2))
    content = subject.eye.content
    x, y = (np.linspace(0.0, length, count) for length, count in zip(content.size_px, (161, 81), strict=True))
    tangent = content.tangent_from_pixel(np.stack(np.meshgrid(x, y), axis=-1)).reshape(-1, 2)
    seam = subject.eye.seam
    weights = np.sort(np.where(seam.served(tangent), seam.weights(tangent), 0.0), axis=0)
    shared: FloatArray = tangent[weights[-2] > 0.1]
    if len(shared) == 0:
        # A seam too narrow for this lattice: the best shared direction of it.
        shared = tangent[[int(np.argmax(weights[-2]))]]
    return shared[:: max(len(shared) // most, 1)]
