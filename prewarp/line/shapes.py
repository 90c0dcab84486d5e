"""What one sigma of every tolerance does to a picture: how far its points move on the panel."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field.border import distance_inside
from prewarp.frames import tangent_from_cosine
from prewarp.line.family import Family
from prewarp.line.rows import PosePrior, Seen, view_of

_COLUMNS, _ROWS = 11, 9


@dataclass(frozen=True, eq=False)
class ModeShape:
    """One tolerance: `pixel` (n, 2) panel points, `moved_px` (n, 2) how far one sigma moves what is seen in
    their directions from the middle of the eye box, middle colour; `rms_px`.
    """

    label: str
    channel: str
    panel_size_px: tuple[int, int]
    pixel: FloatArray
    moved_px: FloatArray

    @property
    def rms_px(self) -> float:
        """Root mean square of the distance."""
        return float(np.sqrt(np.mean(np.sum(self.moved_px**2, axis=1))))


def mode_shapes(family: Family, /) -> tuple[ModeShape, ...]:
    """Return every mode of a family, those that move the picture most first."""
    found = []
    middle = family.pupil_box_mm.mean(axis=0)
    colour = len(family.colours) // 2
    for channel, own in family.channels.items():
        size = own.basis.panel.size_px
        axes = [
            np.linspace(0.03, 0.97, n) * length for n, length in zip((_COLUMNS, _ROWS), size, strict=True)
        ]
        pixel = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
        pixel = pixel[distance_inside(pixel, own.border_px) > 0.0]
        reference = np.broadcast_to(middle[:2], (len(pixel), 2))
        tangent = tangent_from_cosine(own.expansion(colour).values(pixel, reference).T)
        label = np.broadcast_to(np.append(middle[:2], 0.0), (len(pixel), 3))
        view = view_of(family, Seen(channel, family.colours[colour], pixel, tangent, label), 0, PosePrior())
        # At a fixed direction the panel point moves against the field at a fixed panel point.
        moved = -view.matrix.reshape(len(pixel), 2, -1)
        found += [
            ModeShape(label, channel, size, pixel, moved[:, :, k])
            for k, label in enumerate((*own.labels, *family.shared))
        ]
    return tuple(sorted(found, key=lambda one: -one.rms_px))
