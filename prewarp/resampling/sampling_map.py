"""How finely panel and content divide the field: where one has more pixels than the other.

The warp reads the content picture at places of its own. `scale`, content px per panel px, says how: above 1
the panel skips content pixels, so fine content aliases; below 1 the panel could show more
than the content holds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pupil
from prewarp.content import ContentProjection
from prewarp.errors import SeamError
from prewarp.frames import unit_from_tangent

if TYPE_CHECKING:
    from prewarp.field import Field

# Above the first the content is called undersampled; below the second the panel finer than the content.
SKIPS_ABOVE, IDLE_BELOW = 1.25, 0.8
# Points of the border itself count.
_ON_THE_EDGE_PX = 1e-6
# Step of the content's differences, content px.
_STEP_PX = 0.1


@dataclass(frozen=True)
class SamplingMap:
    """How one channel and colour samples the content, on a lattice of panel points.

    Parameters
    ----------
    channel, colour : str
        Names.
    u_px, v_px : (columns,), (rows,) float arrays
        Panel points, px.
    tangent : (rows, columns, 2) float array
        Directions in which they are seen.
    panel_px_per_deg : (rows, columns, 2) float array
        Panel px per degree along the coarsest and the finest direction there.
    content_px_per_deg : (rows, columns, 2) float array
        Content px per degree, coarsest and finest.
    scale : (rows, columns, 2) float array
        Content px per panel px, least and most.
    shown : (rows, columns) bool array
        True where the panel point is captured and lit, and shows a point of the content picture.
    """

    channel: str
    colour: str
    u_px: FloatArray
    v_px: FloatArray
    tangent: FloatArray
    panel_px_per_deg: FloatArray
    content_px_per_deg: FloatArray
    scale: FloatArray
    shown: BoolArray

    @property
    def skips(self) -> BoolArray:
        """Where the panel undersamples the content: it aliases, unless it is filtered first."""
        return self.shown & (self.scale[..., 1] > SKIPS_ABOVE)

    @property
    def idles(self) -> BoolArray:
        """Where it samples more finely than the content has pixels: the panel could show more."""
        return self.shown & (self.scale[..., 0] < IDLE_BELOW)

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        shown = self.shown if self.shown.any() else np.ones_like(self.shown)
        panel, content, scale = (
            values[shown] for values in (self.panel_px_per_deg, self.content_px_per_deg, self.scale)
        )
        return {
            "channel": self.channel,
            "color": self.colour,
            "panel_least_px_per_deg": float(panel[:, 0].min()),
            "panel_median_px_per_deg": float(np.median(panel)),
            "panel_most_px_per_deg": float(panel[:, 1].max()),
            "content_least_px_per_deg": float(content[:, 0].min()),
            "content_most_px_per_deg": float(content[:, 1].max()),
            "scale_least_content_px_per_panel_px": float(scale[:, 0].min()),
            "scale_median_content_px_per_panel_px": float(np.median(scale)),
            "scale_most_content_px_per_panel_px": float(scale[:, 1].max()),
            "content_undersampled_percent": float(100.0 * self.skips.sum() / max(self.shown.sum(), 1)),
            "panel_finer_percent": float(100.0 * self.idles.sum() / max(self.shown.sum(), 1)),
            "shown_percent": float(100.0 * self.shown.mean()),
        }


def sampling_map(
    field: "Field",
    content: ContentProjection,
    /,
    *,
    pupil_mm: ArrayLike = (0.0, 0.0, 0.0),
    count: tuple[int, int] = (41, 33),
) -> SamplingMap:
    """Measure how a channel and colour samples the content over its panel.

    Parameters
    ----------
    field : Field
        The channel and colour.
    content : ContentProjection
        How the content picture lies on directions.
    pupil_mm : (3,) float array
        Tracked pupil, mm.
    count : (int, int)
        Columns and rows of panel points, edge to edge.

    Returns
    -------
    SamplingMap

    Raises
    ------
    SeamError
        Part of the panel has no direction from there (says how much).

    Notes
    -----
    px per degree are on the sphere: from the Jacobian of the direction as a unit vector, its singular values
    inverted. `scale` are the singular values of d(content px)/d(panel px).
    """
    pupil = as_pupil(pupil_mm).reshape(3)
    width, height = field.panel_size_px
    u, v = np.linspace(0.0, width, count[0]), np.linspace(0.0, height, count[1])
    pixel = np.stack(np.meshgrid(u, v), axis=-1)
    tangent = field.forward(pixel, pupil_mm=pupil)
    # Past what is captured and lit nothing is seen, and the field may lead anywhere.
    seen = np.nan_to_num(field.depth_px(pixel, pupil_mm=pupil), nan=np.inf) > -_ON_THE_EDGE_PX
    unknown = seen & ~np.isfinite(tangent).all(axis=-1)
    if unknown.any():
        where = ", ".join(f"{value:g}" for value in pupil)
        raise SeamError(
            f"channel '{field.channel}', {field.colour}: {100.0 * unknown.mean():.3g} % of the panel has no "
            f"direction from pupil ({where}) mm. Ask for a pupil inside the captured eye box, or fit more "
            "samples.",
            channel=field.channel,
        )
    on_panel = field.jacobian(pixel, pupil_mm=pupil)
    on_sphere = _sphere_jacobian(tangent)
    on_content = _content_jacobian(content, tangent)
    degrees_per_panel_px = np.degrees(_singular(on_sphere @ on_panel))
    # Content px per degree: the content's Jacobian over the sphere's, both by tangent.
    content_per_deg = _singular(np.swapaxes(on_content @ np.linalg.pinv(on_sphere), -1, -2)) * np.radians(1.0)
    place = content.pixel_from_tangent(tangent)
    return SamplingMap(
        field.channel,
        field.colour,
        u,
        v,
        tangent,
        1.0 / degrees_per_panel_px[..., ::-1],
        content_per_deg,
        _singular(on_content @ on_panel),
        seen & np.all((place >= 0.0) & (place <= content.size_px), axis=-1),
    )


def content_width_for(maps: Sequence[SamplingMap], content: ContentProjection, /) -> int:
    """Return the least content width, px, at which no panel pixel is finer than the content's.

    Raises
    ------
    SeamError
        No panel shows any of the content.
    """
    least = [float(m.scale[..., 0][m.shown].min()) for m in maps if m.shown.any()]
    if not least:
        raise SeamError("no panel shows any of the content. Check the content's field and projection.")
    return int(np.ceil(content.size_px[0] / min(least)))


def _singular(matrix: FloatArray) -> FloatArray:
    """Return the singular values (..., 2) of matrices (..., m, 2), least first, from the Gram matrix."""
    gram = np.swapaxes(matrix, -1, -2) @ matrix
    half = 0.5 * (gram[..., 0, 0] + gram[..., 1, 1])
    spread = np.hypot(0.5 * (gram[..., 0, 0] - gram[..., 1, 1]), gram[..., 0, 1])
    squared: FloatArray = np.stack([np.maximum(half - spread, 0.0), half + spread], axis=-1)
    return np.sqrt(squared)


def _sphere_jacobian(tangent: FloatArray) -> FloatArray:
    """Return d(unit vector)/d(tx, ty), (..., 3, 2)."""
    unit = unit_from_tangent(tangent)
    length = np.sqrt(1.0 + np.sum(tangent * tangent, axis=-1))[..., None, None]
    axes = np.broadcast_to(np.eye(3)[:, :2], (*tangent.shape[:-1], 3, 2))
    return np.asarray((axes - unit[..., :, None] * unit[..., None, :2]) / length)


def _content_jacobian(content: ContentProjection, tangent: FloatArray) -> FloatArray:
    """Return d(content px)/d(tx, ty), (..., 2, 2), by central differences."""
    step = _STEP_PX / content.focal_px
    columns = [
        (content.pixel_from_tangent(tangent + d) - content.pixel_from_tangent(tangent - d)) / (2.0 * step)
        for d in (np.array([step, 0.0]), np.array([0.0, step]))
    ]
    return np.stack(columns, axis=-1)
