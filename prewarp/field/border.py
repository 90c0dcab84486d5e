"""The part of a panel that samples speak for: the convex hull of their panel points, grown by one spacing.

Beyond it a fitted polynomial is a guess, so the field has no reach there. Where the samples cover the panel
it is the panel.
"""

import numpy as np
from scipy.spatial import ConvexHull, HalfspaceIntersection, QhullError

from prewarp.checks import BoolArray, FloatArray, extent, finite_rows
from prewarp.errors import FitError


def hull_corners(points: FloatArray, /) -> FloatArray:
    """Return the hull's corners (k, 2), counter-clockwise; the points (n, 2) when they span no area."""
    try:
        outer = _outer(points)
        return outer[ConvexHull(outer).vertices]
    except (QhullError, ValueError):
        return np.unique(points, axis=0)


def _outer(points: FloatArray) -> FloatArray:
    """Return points (n, 2) without those well within the quadrilateral of the extremes of x + y and x - y.

    They cannot be corners of the hull (Akl and Toussaint, Information Processing Letters 7, 1978).
    """
    x, y = points.T
    quadrilateral = points[[np.argmin(x + y), np.argmax(x - y), np.argmax(x + y), np.argmin(x - y)]]
    if np.any(np.hypot(*(quadrilateral - np.roll(quadrilateral, 1, axis=0)).T) == 0.0):
        return points
    within = inside_convex(points, quadrilateral, slack=-1e-9 * float(np.ptp(quadrilateral)))
    return points.take(np.flatnonzero(~within), axis=0)


def inside_convex(points: FloatArray, corners: FloatArray, /, *, slack: float) -> BoolArray:
    """Return which points (n, 2) lie in a convex polygon (k, 2), counter-clockwise, or `slack` outside."""
    inside = finite_rows(points)
    if len(corners) < 3:
        result: BoolArray = inside & (np.abs(points[:, None] - corners[None]).max(axis=2) <= slack).any(
            axis=1
        )
        return result
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = end - start
        distance = (along[0] * (points[:, 1] - start[1]) - along[1] * (points[:, 0] - start[0])) / np.hypot(
            *along
        )
        inside &= distance >= -slack
    return inside


def distance_inside(points: FloatArray, corners: FloatArray, /) -> FloatArray:
    """Return the least distance (n,) of points (n, 2) to the lines of a convex polygon's sides.

    Positive inside; `corners` (k, 2), counter-clockwise, three or more.
    """
    along = np.roll(corners, -1, axis=0) - corners
    length = np.linalg.norm(along, axis=1)
    sides = length > 0.0
    normal = np.stack([-along[sides, 1], along[sides, 0]]) / length[sides]
    offset = np.sum(corners[sides] * normal.T, axis=1)
    result: FloatArray = (points @ normal - offset).min(axis=1)
    return result


def panel_corners(size_px: tuple[int, int], /) -> FloatArray:
    """Return the corners of the panel, counter-clockwise in (u, v) as numbers."""
    width, height = size_px
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def captured_border(captured: FloatArray, spacing_px: float, size_px: tuple[int, int], /) -> FloatArray:
    """Return the corners of the hull of captured points (k, 2), grown by `spacing_px`, cut at the panel."""
    corners = panel_corners(size_px)
    try:
        grown = ConvexHull(captured).equations.copy()
    except (QhullError, ValueError):
        return corners
    grown[:, 2] -= spacing_px
    width, height = size_px
    panel = np.array([[-1.0, 0.0, 0.0], [1.0, 0.0, -width], [0.0, -1.0, 0.0], [0.0, 1.0, -height]])
    # Half-planes that hold the whole panel say nothing.
    cutting = grown[(grown[:, :2] @ corners.T + grown[:, 2:]).max(axis=1) > 1e-9]
    if len(cutting) == 0:
        return corners
    inner = np.clip(captured.mean(axis=0), 1.0, np.array(size_px) - 1.0)
    try:
        common = HalfspaceIntersection(np.vstack([cutting, panel]), inner).intersections
    except QhullError as cause:
        (u0, v0), (u1, v1) = extent(captured)
        raise FitError(
            f"panel points from u={u0:.4g} v={v0:.4g} to u={u1:.4g} v={v1:.4g} px cover no area of a "
            f"panel of {width} x {height} px. Check the panel's size and the unit of the points."
        ) from cause
    return hull_corners(common)


def cutting_edges(corners: FloatArray, size_px: tuple[int, int], /) -> FloatArray:
    """Return the border's edges that are no panel edges, as half-planes (m, 3): a u + b v + c <= 0."""
    edges = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        on_panel_edge = any(
            abs(start[axis] - value) < 1e-6 and abs(end[axis] - value) < 1e-6
            for axis in (0, 1)
            for value in (0.0, float(size_px[axis]))
        )
        along = end - start
        length = np.hypot(*along)
        if on_panel_edge or length < 1e-9:
            continue
        normal = np.array([along[1], -along[0]]) / length
        edges.append([*normal, -normal @ start])
    return np.array(edges).reshape(-1, 3)
