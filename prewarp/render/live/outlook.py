"""How a view lies on the plane of its projection, and where a ghost image of it lies."""

from dataclasses import dataclass

import numpy as np

from prewarp.content import ContentProjection


@dataclass(frozen=True)
class Outlook:
    """How a view lies on the plane of its projection: px = `middle_px` + plane * (`scale_px`, -`scale_px`).

    `size_px` width and height; `middle_px` where straight ahead is, px; `scale_px` px per unit of the plane.
    """

    size_px: tuple[int, int]
    middle_px: tuple[float, float]
    scale_px: float

    @staticmethod
    def whole(content: ContentProjection, size_px: tuple[int, int], /) -> "Outlook":
        """Return the view that shows all of a content picture, as large as `size_px` takes it."""
        factor = min(size / full for size, full in zip(size_px, content.size_px, strict=True))
        return Outlook(size_px, (size_px[0] / 2.0, size_px[1] / 2.0), content.focal_px * factor)


@dataclass(frozen=True)
class Ghost:
    """A weak second image: `strength` of the light, shifted by degrees, scaled or flipped."""

    strength: float = 0.0
    shift_deg: tuple[float, float] = (2.0, 1.0)
    scale: float = 1.0
    flip_x: bool = False
    flip_y: bool = False

    def moved(self, outlook: Outlook, /) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return middle and scale, px, of the ghost in a view."""
        factor = outlook.scale_px * self.scale
        degree = np.radians(1.0) * outlook.scale_px
        middle = (
            outlook.middle_px[0] + self.shift_deg[0] * degree,
            outlook.middle_px[1] - self.shift_deg[1] * degree,
        )
        return middle, (-factor if self.flip_x else factor, factor if self.flip_y else -factor)
