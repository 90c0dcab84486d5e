"""Meshes: maps of one channel and colour for one pupil position, on lattices of nodes.

`panel_mesh` is the pre-warp map: for nodes on the panel, the content point that they must show and the
channel's blend weight. `view_mesh` goes the other way: for nodes of a picture of what the eye sees, the panel
point that is seen there. Between nodes both are cubic B-splines (`prewarp.lattice`).
"""

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import distance_transform_edt
from scipy.spatial import ConvexHull, QhullError

from prewarp.checks import BoolArray, FloatArray, as_pupil, require_range
from prewarp.content import ContentProjection
from prewarp.errors import RenderError
from prewarp.frames import cosine_from_tangent
from prewarp.head import HeadTurn, TurningField, require_scan
from prewarp.lattice import SplineLattice, fill_outward, spline_through
from prewarp.scan import PanelScan
from prewarp.seam import Seam, shown_weights

if TYPE_CHECKING:
    from prewarp.field import Field
    from prewarp.photometry.luminance import LuminanceMap, ScaledLuminance
    from prewarp.photometry.match import LightMatch

# With nodes 16 px apart the spline stays within 0.002 px of the map on the demo's optics (in the tests).
NODE_STEP_PX = 16.0
# A view is coarser than a panel, so its nodes are closer together for the same error in panel px.
VIEW_STEP_PX = 8.0
# Panel point given to a view that does not see the panel at all.
_OFF_PANEL_PX = -1.0e4
# Nodes this near the panel are continued smoothly, for the spline's sake at the rim; a node's error fades by
# 0.27 per node, so what is beyond hardly reaches the rim (0.27 ** 8 = 3e-5).
_CONTINUED_NODES = 8.0
_RIM_NODES = 2.0
# Points along a panel side when looking for nodes that cannot see the panel; the sides may bend between them
# by less than this share of the reach.
_BORDER_POINTS = 24
_BORDER_SLACK = 0.01
# Depths of nodes are cut at so many degrees, that splines through them stay calm.
NODE_DEPTH_DEG = 2.0
# How far past the rim the field is asked, in nodes, and no further than a share of the panel; how far it may
# lead astray there, as a share of the step.
_FOLLOWED_NODES, _RIM_SHARE, _ASTRAY_SHARE = 3.0, 0.1, 0.3


class View(Protocol):
    """A picture of what an eye sees: how its pixels lie on directions, as `ContentProjection` has it."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height, px."""

    def tangent_from_pixel(self, pixel: FloatArray, /) -> FloatArray:
        """Return directions (..., 2), tangents, of view px (..., 2)."""


@dataclass(frozen=True)
class NodeLight:
    """What nodes of a panel need for weights between them: claims and what is lit, channel by channel.

    Weights step where light ends, which no spline follows; claims and depths are smooth, and make a weight at
    every pixel.

    Parameters
    ----------
    claims : (rows, columns, channels) float array
        Claim of each channel to the direction of the node (`Seam.claims`).
    depth_deg : (rows, columns, channels) float array
        How far inside what each channel shows that direction lies, degrees; lit above 0.
    gain : (rows, columns) float array
        Gain of a luminance match; 1 without one.
    own : int
        Which of the channels this panel is.
    edge_deg : float
        Light fades over so many degrees towards the rim of what any channel shows.
    """

    claims: FloatArray
    depth_deg: FloatArray
    gain: FloatArray
    own: int
    edge_deg: float = 0.0

    @property
    def weight(self) -> FloatArray:
        """Drive of white at the nodes, (rows, columns)."""
        return self.weights(np.moveaxis(self.claims, -1, 0), np.moveaxis(self.depth_deg, -1, 0)) * self.gain

    def weights(
        self, claims: NDArray[np.floating], depth_deg: NDArray[np.floating], /
    ) -> NDArray[np.floating]:
        """Return this channel's share (...) of what is lit, from claims and depths (channels, ...)."""
        return np.asarray(shown_weights(np.maximum(claims, 0.0), depth_deg, edge_deg=self.edge_deg)[self.own])

    def cut(self, rows: slice, columns: slice, /) -> "NodeLight":
        """Return the same for some rows and columns of nodes."""
        return replace(
            self,
            claims=self.claims[rows, columns],
            depth_deg=self.depth_deg[rows, columns],
            gain=self.gain[rows, columns],
        )


@dataclass(frozen=True)
class PanelMesh:
    """The pre-warp map of one channel and colour, as seen from one tracked pupil.

    Parameters
    ----------
    channel, colour : str
        Which panel and colour.
    panel_size_px : (int, int)
        Width and height, px. Nodes are evenly spaced from edge to edge, both included.
    tracked_pupil_mm : (3,) float array
        Pupil position that the map is for, mm from the eye-box centre.
    tangent : (rows, columns, 2) float array
        Direction in which each node is seen.
    content_px : (rows, columns, 2) float array
        Content point that each node must show, px; may lie outside the content picture (black). That of the
        direction, turned with the head until the node is lit where the head turns.
    weight : (rows, columns) float array
        Blend weight at each node, times the gain of a luminance match where there is one: the drive of white,
        0 to 1, for linear light; cut off at 1 where it is drawn.
    light : NodeLight or None
        What makes the weight between nodes; None: it is smooth.
    """

    channel: str
    colour: str
    panel_size_px: tuple[int, int]
    tracked_pupil_mm: FloatArray
    tangent: FloatArray
    content_px: FloatArray
    weight: FloatArray
    light: NodeLight | None = None

    @property
    def node_px(self) -> tuple[FloatArray, FloatArray]:
        """Positions of the columns along u and of the rows along v, px."""
        rows, columns = self.weight.shape
        width, height = self.panel_size_px
        return np.linspace(0.0, width, columns), np.linspace(0.0, height, rows)

    def spline(self) -> SplineLattice:
        """Return the map with components (content u, content v, drive) over the panel, px.

        The drive is the weight, or with `light` its gain alone.
        """
        drive = self.weight if self.light is None else self.light.gain
        return self._spline(np.concatenate([self.content_px, drive[..., None]], axis=-1))

    def light_spline(self) -> SplineLattice:
        """Return claims, then depths, of every channel over the panel: components (2 channels).

        Raises
        ------
        RenderError
            The mesh has no `light`.
        """
        if self.light is None:
            raise RenderError("this mesh has a smooth weight and no light of its own; read `spline`.")
        return self._spline(np.concatenate([self.light.claims, self.light.depth_deg], axis=-1))

    def weight_at(self, pixel: FloatArray, /) -> FloatArray:
        """Return the drive of white (...) between nodes, at panel points (..., 2), px."""
        drive = self.spline().at(pixel)[..., 2]
        if self.light is None:
            return np.asarray(drive)
        claims, depth = np.split(np.moveaxis(self.light_spline().at(pixel), -1, 0), 2)
        return np.asarray(drive * self.light.weights(claims, depth))

    def _spline(self, values: FloatArray) -> SplineLattice:
        rows, columns = self.weight.shape
        step = np.asarray(self.panel_size_px) / np.array([columns - 1, rows - 1])
        return spline_through(values, origin=np.zeros(2), step=step)


def panel_mesh(
    field: "Field",
    content: ContentProjection,
    /,
    *,
    tracked_pupil_mm: ArrayLike,
    seam: Seam | None = None,
    match: "LightMatch | None" = None,
    step_px: float = NODE_STEP_PX,
    warped: bool = True,
    scan: PanelScan | None = None,
    head: HeadTurn | None = None,
) -> PanelMesh:
    """Make the pre-warp map of one channel and colour.

    Parameters
    ----------
    field : Field
        The channel and colour.
    content : ContentProjection
        How the content picture lies on directions.
    tracked_pupil_mm : (3,) float array
        Where the system believes the pupil to be, mm.
    seam : Seam, optional
        Gives the blend weights; without one every weight is 1.
    match : LightMatch, optional
        Multiplies the weights by the gains of a luminance match.
    step_px : float
        Largest distance between nodes, panel px.
    warped : bool
        False replaces the map by the best straight (affine) one: the picture placed and scaled but not
        warped, for comparison.
    scan, head : PanelScan, HeadTurn, optional
        Late rotation: content is that of each node's direction in the pose drawn for, when the node is lit,
        and the blend weight that of its direction in the pose at `weights_for_ms`.

    Returns
    -------
    PanelMesh

    Raises
    ------
    RenderError
        The field has no direction for a node; or the head turns and the scan is not known, or absurdly far.
    """
    pupil = as_pupil(tracked_pupil_mm, "tracked_pupil_mm").reshape(3)
    width, height = field.panel_size_px
    u, v = _edge_to_edge(width, step_px), _edge_to_edge(height, step_px)
    tangent = field.forward_lattice(u, v, pupil_mm=pupil)
    if not warped:
        tangent = _best_affine(u, v, tangent)
    shown = weighed = tangent
    if head is not None and not head.is_still:
        lit = TurningField(field, require_scan(scan, field.channel), head).lit_ms(
            np.stack(np.meshgrid(u, v), axis=-1)
        )
        shown, weighed = head.turned(tangent, lit), head.weighed(tangent, lit)
    content_px = content.pixel_from_tangent(shown)
    if not np.isfinite(content_px).all():
        raise RenderError(
            f"channel '{field.channel}', {field.colour}: no direction for "
            f"{int((~np.isfinite(content_px)).any(axis=-1).sum())} of {u.size * v.size} nodes for pupil "
            f"{tuple(pupil.tolist())} mm. Check the fit, and the pupil position."
        )
    gain = np.ones(tangent.shape[:-1])
    if match is not None:
        nodes = np.stack(np.meshgrid(u, v), axis=-1)
        gain = match.gain(field.channel, field.colour, nodes, tangent, pupil_mm=pupil)
    made = partial(PanelMesh, field.channel, field.colour, (width, height), pupil, tangent, content_px)
    if seam is None:
        return made(gain)
    light = node_light(seam.at(pupil), field.channel, weighed, gain)
    return made(light.weight, light)


def node_depths_deg(seam: Seam, tangent: FloatArray, /) -> FloatArray:
    """Return depths of nodes (channels, ...), degrees, cut at `NODE_DEPTH_DEG` or where light is full."""
    return np.clip(seam.depth_deg(tangent), -NODE_DEPTH_DEG, max(NODE_DEPTH_DEG, seam.edge_deg))


def node_light(seam: Seam, channel: str, tangent: FloatArray, gain: FloatArray, /) -> NodeLight:
    """Return what nodes of a channel's panel that look in directions (rows, columns, 2) need for weights.

    `seam`: that of the tracked pupil (`Seam.at`); `gain` (rows, columns) of a luminance match.
    """
    return NodeLight(
        np.moveaxis(np.nan_to_num(seam.claims.at(tangent)), 0, -1),
        np.moveaxis(node_depths_deg(seam, tangent), 0, -1),
        gain,
        seam.index(channel),
        seam.edge_deg,
    )


def view_mesh(
    field: "Field | TurningField",
    view: View,
    /,
    *,
    pupil_mm: ArrayLike,
    luminance: "LuminanceMap | ScaledLuminance | None" = None,
    step_px: float = VIEW_STEP_PX,
) -> SplineLattice:
    """Return the panel point (u, v), px, seen at each point of a view picture, as a spline over view px.

    Exact inverses at the nodes, those just past the panel's rim included; nodes further out are continued
    smoothly, so points off the panel give values outside 0 to width, 0 to height.

    Parameters
    ----------
    field : Field or TurningField
        The channel and colour; turning, as an eye sees it that keeps still in the world.
    view : View
        Size and projection of the view picture.
    pupil_mm : (3,) float array
        Where the pupil truly is, mm.
    luminance : LuminanceMap or ScaledLuminance, optional
        Adds a third component: the luminance of the panel point at full drive, as seen from there. Where part
        of the panel is dark there are four: that luminance, or 1, and how far inside what is lit the panel
        point lies, px (`Field.lit_depth_px`).
    step_px : float
        Largest distance between nodes, view px.
    """
    pupil = as_pupil(pupil_mm).reshape(3)
    x, y = (_edge_to_edge(size, step_px) for size in view.size_px)
    tangent = view.tangent_from_pixel(np.stack(np.meshgrid(x, y), axis=-1))
    candidates = _near_reach(field, tangent, pupil)
    found = field.inverse(tangent[candidates], pupil_mm=pupil)
    valid = np.zeros(tangent.shape[:-1], dtype=bool)
    valid[candidates] = found.valid
    pixel = np.full_like(tangent, _OFF_PANEL_PX)
    if found.valid.any():
        pixel[candidates] = np.nan_to_num(found.pixel)
        _follow_past_rim(field, pixel, tangent, valid, candidates, pupil)
        pixel = _led_outward(fill_outward(pixel, valid), tangent, valid, field.panel_size_px)
    values = pixel
    if luminance is not None:
        seen = luminance.at(pixel, np.nan_to_num(tangent), pupil_mm=pupil)
        values = np.concatenate([pixel, seen[..., None]], axis=-1)
    if field.lit:
        if luminance is None:
            values = np.concatenate([pixel, np.ones((*pixel.shape[:-1], 1))], axis=-1)
        size = np.asarray(field.panel_size_px, dtype=float)
        nearby = np.clip(pixel, -_RIM_SHARE * size, (1.0 + _RIM_SHARE) * size)
        depth = np.nan_to_num(field.lit_depth_px(nearby, pupil_mm=pupil), nan=-1.0)
        values = np.concatenate([values, depth[..., None]], axis=-1)
    return spline_through(values, origin=np.zeros(2), step=np.array([x[1], y[1]]))


def _near_reach(field: "Field | TurningField", tangent: FloatArray, pupil: FloatArray) -> BoolArray:
    """Return which directions (..., 2) lie near the hull of the panel's border, as it is seen.

    An inverse takes longest where it must fail, and most of a wide view is off any one panel.
    """
    width, height = field.panel_size_px
    share = np.linspace(0.0, 1.0, _BORDER_POINTS, endpoint=False)[:, None]
    corner = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    border = np.concatenate(
        [a + share * (b - a) for a, b in zip(corner, np.roll(corner, -1, 0), strict=True)]
    )
    seen = field.forward(border, pupil_mm=pupil)
    ahead = np.asarray(np.isfinite(tangent).all(axis=-1))
    try:
        sides = ConvexHull(seen).equations
    # A border that is not seen whole, or spans no area, rules nothing out.
    except (QhullError, ValueError):
        return ahead
    slack = (_BORDER_SLACK + 1.5 * _RIM_SHARE) * np.ptp(seen, axis=0).max()
    for a, b, c in sides:
        ahead &= a * np.nan_to_num(tangent[..., 0]) + b * np.nan_to_num(tangent[..., 1]) + c <= slack
    return ahead


def _follow_past_rim(
    field: "Field | TurningField",
    pixel: FloatArray,
    tangent: FloatArray,
    valid: BoolArray,
    candidates: BoolArray,
    pupil: FloatArray,
) -> None:
    """Add to the valid nodes, in place, those few past the rim that the field itself places.

    They hold the spline at the rim. Past its border a field is not fitted and may turn back: what is not
    about where the slope at the nearest valid node leads is left out.
    """
    distance, (row, column) = distance_transform_edt(~valid, return_indices=True)
    past = candidates & ~valid & (distance <= _FOLLOWED_NODES)
    if not past.any():
        return
    rim = row[past], column[past]
    found = field.inverse(tangent[past], pupil_mm=pupil, margin_px=_RIM_SHARE * max(field.panel_size_px))
    slope = field.jacobian(pixel[rim], pupil_mm=pupil)
    step = np.linalg.solve(slope, (tangent[past] - tangent[rim])[..., None])[..., 0]
    astray = np.linalg.norm(found.pixel - pixel[rim] - step, axis=-1)
    good = found.valid & (astray <= _ASTRAY_SHARE * np.linalg.norm(step, axis=-1))
    pixel[past] = np.where(good[:, None], found.pixel, pixel[past])
    valid[past] = good


def _led_outward(
    pixel: FloatArray, tangent: FloatArray, valid: BoolArray, size_px: tuple[int, int]
) -> FloatArray:
    """Return panel points (rows, columns, 2) that go straight on, far off the panel, from the nearest node.

    What polynomials continue may turn back onto the panel further out, as a ghost of what is there; the best
    affine map of the valid nodes leads away from it, everywhere alike. Nearer nodes follow it where they have
    turned back already, or leave it by more than the step itself.
    """
    distance, (row, column) = distance_transform_edt(~valid, return_indices=True)
    about = tangent[valid] - tangent[valid].mean(axis=0)
    slope, *_ = np.linalg.lstsq(about, pixel[valid] - pixel[valid].mean(axis=0), rcond=None)
    step = (tangent - tangent[row, column]) @ slope
    led = pixel[row, column] + step
    back = np.all((pixel >= 0.0) & (pixel <= size_px), axis=-1)
    astray = np.linalg.norm(pixel - led, axis=-1) > np.linalg.norm(step, axis=-1)
    far = (distance > _CONTINUED_NODES) | ((distance > _RIM_NODES) & (back | astray))
    return np.where((far & np.isfinite(tangent).all(axis=-1))[..., None], led, pixel)


def _edge_to_edge(size: int, step_px: float) -> FloatArray:
    require_range(step_px, "step_px", 1.0, 4096.0, unit="px")
    return np.linspace(0.0, size, max(int(np.ceil(size / step_px)) + 1, 5))


def _best_affine(u: FloatArray, v: FloatArray, tangent: FloatArray) -> FloatArray:
    """Return the least-squares affine map of the nodes, in tangents, over those nodes that look forward."""
    grid_u, grid_v = np.meshgrid(u / u[-1] - 0.5, v / v[-1] - 0.5)
    basis = np.stack([np.ones_like(grid_u), grid_u, grid_v], axis=-1)
    forward = np.isfinite(cosine_from_tangent(tangent)).all(axis=-1)
    solution, *_ = np.linalg.lstsq(basis[forward], tangent[forward], rcond=None)
    affine: FloatArray = basis @ solution
    return affine
