"""Meshes as functions of the pupil: mesh(e) = sum_j Q_j(x0, y0) B_j, for an eye that moves.

One table per channel serves both passes. Its nodes lie on the panel, one ring of them beyond the edges. For
the tracked pupil it gives the direction of every node in every colour: what the panel must show. For the true
pupil it gives the direction of every node in the middle colour, which is where the node is seen, and the
panel points of the other two colours that are seen in that same direction. So the perceived view needs no
inverse: it is the panel's mesh, drawn where its nodes are seen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.chebyshev import nodes_1d, values_2d
from prewarp.checks import FloatArray, as_pupil, require_range
from prewarp.errors import RenderError
from prewarp.frames import cosine_from_tangent, tangent_from_cosine
from prewarp.lattice import spline_through
from prewarp.points import lattice_points
from prewarp.render.pictures import field_colours

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet

# Distance of nodes, panel px. Between nodes a mesh is straight; tests measure the error on the demo's optics.
NODE_STEP_PX = 20.0
# Steps from a pupil off the plane z = 0 to where its rays cross it; each gains a factor of |z in m| * |D|,
# D the image distance in dioptres (derived here).
DEPTH_STEPS = 3
# Pupil degree for fields that do not say theirs.
_DEGREE = 5
# Colours differ smoothly: points are found on this many nodes each way and joined by a cubic spline.
_COLOUR_NODES = 15
_CHORD_STEPS = 5
# A chord is cut to so much, and the last of them must be as short as this.
_LONGEST_CHORD_PX, _FOUND_PX = 200.0, 0.05


@dataclass(frozen=True)
class EyeTable:
    """What one channel's mesh nodes show, over the pupil.

    Parameters
    ----------
    channel : str
        Which channel.
    panel_size_px : (int, int)
        Width and height, px.
    first_px, step_px : (2,) float array
        Place of node (0, 0), outside the panel, and the distance of nodes along u and v, px.
    centre_mm, half_mm : (2,) float array
        The reference pupil (x0, y0) is divided by these to lie in -1 to 1.
    degree : int
        Total degree of the Chebyshev basis Q_j, in graded order (`prewarp.fitting.chebyshev`).
    cosine : (pupil functions, rows, columns, 3, 2) float array
        Coefficients of the direction cosines of red, green, blue.
    seen_px : (pupil functions, rows, columns, 2, 2) float array
        Coefficients of the panel points of red and blue that are seen where the node itself is seen in green.
    residual_px : float
        Largest distance, panel px, between the table and the field at the pupils that it was made from.
    log_own, log_seen : (pupil functions, rows, columns, 3) float array, optional
        Coefficients of the logarithm of luminance at full drive of red, green, blue: at the node itself, in
        the unit of the luminance maps, and at the points of `seen_px`, as a share of white
        (`prewarp.render.live.eye_light`). None: evenly lit.
    """

    channel: str
    panel_size_px: tuple[int, int]
    first_px: FloatArray
    step_px: FloatArray
    centre_mm: FloatArray
    half_mm: FloatArray
    degree: int
    cosine: FloatArray
    seen_px: FloatArray
    residual_px: float
    log_own: FloatArray | None = None
    log_seen: FloatArray | None = None

    @property
    def node_shape(self) -> tuple[int, int]:
        """Rows and columns of nodes."""
        return self.cosine.shape[1], self.cosine.shape[2]

    @property
    def node_px(self) -> FloatArray:
        """Places of the nodes, (rows, columns, 2), px; the last axis is (u, v)."""
        rows, columns = self.node_shape
        return self.first_px + self.step_px * np.stack(
            np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1
        )

    @property
    def px_per_cosine(self) -> float:
        """Panel px per unit of direction cosine at the panel's middle."""
        row, column = (length // 2 for length in self.node_shape)
        step = self.cosine[0, row, column + 1, 1] - self.cosine[0, row, column, 1]
        return float(self.step_px[0] / np.linalg.norm(step))

    def thinned(self) -> "EyeTable":
        """Return the table with every other node; itself where cells are few, or odd in number."""
        rows, columns = (length - 2 for length in self.node_shape)
        if rows % 2 == 0 or columns % 2 == 0 or min(rows, columns) < 9:
            return self
        inner = (slice(None), slice(1, -1, 2), slice(1, -1, 2))
        return replace(
            self,
            first_px=2.0 * self.first_px,
            step_px=2.0 * self.step_px,
            cosine=ringed(self.cosine[inner]),
            seen_px=ringed(self.seen_px[inner]),
            log_own=None if self.log_own is None else ringed(self.log_own[inner]),
            log_seen=None if self.log_seen is None else ringed(self.log_seen[inner]),
        )

    def tangents(self, pupil_mm: ArrayLike, /) -> FloatArray:
        """Return directions (rows, columns, 3, 2) of the nodes in red, green, blue from a pupil (3,), mm."""
        pupil = as_pupil(pupil_mm).reshape(3)
        colours = [self._settled(self.cosine[..., colour, :], pupil)[0] for colour in range(3)]
        return np.stack(colours, axis=2)

    def seen(self, pupil_mm: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return directions (rows, columns, 2) of nodes and the panel points (rows, columns, 3, 2) there."""
        pupil = as_pupil(pupil_mm).reshape(3)
        tangent, basis = self._settled(self.cosine[..., 1, :], pupil)
        if basis.ndim == 1:
            red_blue = np.tensordot(basis, self.seen_px, axes=1)
        else:
            red_blue = np.einsum("jrc,jrcks->rcks", basis, self.seen_px)
        return tangent, np.stack([red_blue[..., 0, :], self.node_px, red_blue[..., 1, :]], axis=2)

    def luminance(self, pupil_mm: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return luminance (rows, columns, 3) of red, green, blue from one pupil position (3,).

        At the nodes, in the maps' unit, and at the points of `seen`, as shares of white.

        Raises
        ------
        RenderError
            The table knows no luminance.
        """
        if self.log_own is None or self.log_seen is None:
            raise RenderError(
                f"the table of channel '{self.channel}' has no luminance. Make it with `lit_table`."
            )
        pupil = as_pupil(pupil_mm).reshape(3)
        bases = [self._settled(self.cosine[..., colour, :], pupil)[1] for colour in range(3)]
        sums = "j,jrc->rc" if bases[0].ndim == 1 else "jrc,jrc->rc"
        own = [np.einsum(sums, bases[colour], self.log_own[..., colour]) for colour in range(3)]
        seen = [np.einsum(sums, bases[1], self.log_seen[..., colour]) for colour in range(3)]
        return np.exp(np.stack(own, axis=-1)), np.exp(np.stack(seen, axis=-1))

    def _basis(self, reference_mm: FloatArray) -> FloatArray:
        x, y = ((reference_mm - self.centre_mm) / self.half_mm).T
        return values_2d(x, y, self.degree)

    def _settled(self, coefficients: FloatArray, pupil: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return tangents (rows, columns, 2) and the basis, (functions,) or off the plane one a node."""
        basis = self._basis(pupil[None, :2])[:, 0]
        tangent = tangent_from_cosine(np.tensordot(basis, coefficients, axes=1))
        for _ in range(DEPTH_STEPS if pupil[2] != 0.0 else 0):
            reference = (pupil[:2] - pupil[2] * tangent).reshape(-1, 2)
            basis = self._basis(reference).reshape(-1, *self.node_shape)
            tangent = tangent_from_cosine(np.einsum("jrc,jrcs->rcs", basis, coefficients))
        return tangent, basis


def eye_table(
    fields: "FieldSet", channel: str, /, *, half_mm: ArrayLike, step_px: float = NODE_STEP_PX
) -> EyeTable:
    """Make the table of one channel from its fields.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    channel : str
        Which one.
    half_mm : (3,) float array
        Half sizes of the eye box, mm: pupil positions that will be asked for.
    step_px : float
        Largest distance of nodes, panel px.

    Returns
    -------
    EyeTable

    Raises
    ------
    RenderError
        Colours are missing, or the field has no direction for a node from a position of the eye box.

    Notes
    -----
    Nodes are traced through the field from a Chebyshev lattice of positions in the plane z = 0 and fitted by
    least squares in the field's own pupil basis, so the table is exact on its nodes (`residual_px` says how
    exact). The ring beyond the panel goes straight on from its edge.
    """
    require_range(step_px, "step_px", 4.0, 4096.0, unit="px")
    colours = [fields.field(channel, colour) for colour in field_colours(fields.colours)]
    size = np.array(colours[1].panel_size_px, dtype=float)
    cells = np.array(node_counts(colours[1].panel_size_px, step_px)) - 1
    u, v = (np.linspace(0.0, size[axis], cells[axis] + 1) for axis in range(2))
    half = np.maximum(as_pupil(half_mm, "half_mm").reshape(3), 0.0)
    # Rays of a pupil off the plane cross it further out.
    steepest = np.nanmax(np.abs(colours[1].forward_lattice(u[[0, -1]], v[[0, -1]], pupil_mm=np.zeros(3))))
    reach = np.maximum(half[:2] + half[2] * min(steepest, 3.0), 0.5)
    degree = pupil_degree_of(colours[1])
    pupils = lattice_points(*(length * nodes_1d(degree + 2) for length in reach), np.zeros(1))
    cosine = _cosines(colours, u, v, pupils)
    seen = _seen_together(cosine, size, [field is colours[1] for field in colours])
    x, y = (pupils[:, :2] / reach).T
    basis = values_2d(x, y, degree).T
    to_coefficients = np.linalg.pinv(basis)
    fitted = [np.tensordot(to_coefficients, samples, axes=1) for samples in (cosine, seen)]
    # One pupil position after the other: all together are as large as the table is ever.
    off = max(
        _largest(np.tensordot(row, fitted[0], axes=1) - own) for row, own in zip(basis, cosine, strict=True)
    )
    per_px = np.linalg.norm(np.diff(cosine[..., 1, :], axis=2), axis=-1).min() / (u[1] - u[0])
    del cosine, seen
    with_ring = [ringed(fitted.pop(0)) for _ in range(2)]
    return EyeTable(
        channel=channel,
        panel_size_px=(int(size[0]), int(size[1])),
        first_px=-size / cells,
        step_px=size / cells,
        centre_mm=np.zeros(2),
        half_mm=reach,
        degree=degree,
        cosine=with_ring[0],
        seen_px=with_ring[1],
        residual_px=float(off / max(per_px, 1e-12)),
    )


def node_counts(panel_size_px: tuple[int, int], step_px: float = NODE_STEP_PX, /) -> tuple[int, int]:
    """Return the numbers of a table's nodes along u and v, without the ring beyond the panel.

    Even numbers of cells, so that a table can be thinned.
    """
    cells = 2 * np.maximum(np.ceil(np.array(panel_size_px) / (2.0 * step_px)), 2).astype(int)
    return int(cells[0]) + 1, int(cells[1]) + 1


def pupil_degree_of(field: "Field", /) -> int:
    """Return the degree over the pupil of a field's table.

    At least 1, so that shaders read what they are given even where one pupil was captured.
    """
    return min(max(getattr(getattr(field, "expansion", None), "pupil_degree", _DEGREE), 1), 8)


def _largest(vectors: FloatArray) -> float:
    """Return the length of the longest of some vectors (..., 2)."""
    return float(np.max(np.linalg.norm(vectors, axis=-1)))


def _cosines(colours: Sequence["Field"], u: FloatArray, v: FloatArray, pupils: FloatArray) -> FloatArray:
    """Return direction cosines (pupils, rows, columns, 3, 2) of lattice nodes."""
    cosine = np.empty((len(pupils), len(v), len(u), 3, 2))
    done: dict[int, int] = {}
    for place, field in enumerate(colours):
        # One colour may stand for all three.
        if id(field) in done:
            cosine[..., place, :] = cosine[..., done[id(field)], :]
            continue
        done[id(field)] = place
        for row, pupil in enumerate(pupils):
            tangent = field.forward_lattice(u, v, pupil_mm=pupil)
            if not np.isfinite(tangent).all():
                raise RenderError(
                    f"channel '{field.channel}', {field.colour}: no direction for "
                    f"{int((~np.isfinite(tangent)).any(axis=-1).sum())} of {u.size * v.size} nodes for pupil "
                    f"{tuple(np.round(pupil, 3).tolist())} mm. Check the fit, and the size of the eye box."
                )
            cosine[row, ..., place, :] = cosine_from_tangent(tangent)
    return cosine


def _seen_together(cosine: FloatArray, size: FloatArray, same: Sequence[bool]) -> FloatArray:
    """Return panel points (pupils, rows, columns, 2, 2) of red and blue seen where a node is seen in green.

    `cosine` (pupils, rows, columns, 3, 2) on nodes from edge to edge; `same` says which colours are green's
    own field. Found by chord steps on cubic splines through the nodes, on fewer nodes: the shift is smooth.
    """
    pupils, rows, columns = cosine.shape[:3]
    step = size / np.array([columns - 1, rows - 1])
    coarse = [np.linspace(0.0, size[axis], _COLOUR_NODES) for axis in range(2)]
    node = np.stack(np.meshgrid(*coarse), axis=-1)
    everywhere = np.stack(
        np.meshgrid(*(np.linspace(0.0, size[k], (columns, rows)[k]) for k in range(2))), axis=-1
    )
    seen = np.repeat(np.broadcast_to(everywhere, (pupils, rows, columns, 2))[..., None, :], 2, axis=-2)
    for row in range(pupils):
        target = spline_through(cosine[row, ..., 1, :], origin=np.zeros(2), step=step).on_lattice(*coarse)
        for place, colour in enumerate((0, 2)):
            if same[colour]:
                continue
            field = spline_through(cosine[row, ..., colour, :], origin=np.zeros(2), step=step)
            slope = np.stack(
                [
                    field.at(node + d) - field.at(node - d)
                    for d in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))
                ],
                axis=-1,
            )
            inverse = np.linalg.inv(slope / 2.0)
            pixel, last = node.copy(), np.zeros_like(node)
            for _ in range(_CHORD_STEPS):
                last = (inverse @ (target - field.at(pixel))[..., None])[..., 0]
                pixel += np.clip(last, -_LONGEST_CHORD_PX, _LONGEST_CHORD_PX)
            found = np.all(np.abs(last) < _FOUND_PX, axis=-1)
            moved = _filled(pixel - node, found, node / size * 2.0 - 1.0)
            shift = spline_through(moved, origin=np.zeros(2), step=size / (_COLOUR_NODES - 1))
            seen[row, ..., place, :] += shift.on_lattice(
                np.linspace(0.0, size[0], columns), np.linspace(0.0, size[1], rows)
            )
    return seen


def _filled(values: FloatArray, found: FloatArray, place: FloatArray) -> FloatArray:
    """Return values (rows, columns, 2), those not found from a cubic through the others; `place`: -1 to 1.

    Beyond the border of a field its map may fold, in a corner without light: nothing is found there.
    """
    if found.all():
        return values
    x, y = np.moveaxis(place, -1, 0).reshape(2, -1)
    terms = values_2d(x, y, 3).T.reshape(*found.shape, -1)
    solution, *_ = np.linalg.lstsq(terms[found], values[found], rcond=None)
    return np.where(found[..., None], values, terms @ solution)


def ringed(values: FloatArray) -> FloatArray:
    """Return node values (functions, rows, columns, ...) with a ring of nodes, straight on from the edge."""
    for axis in (1, 2):
        first, second, last, before = (np.take(values, [place], axis=axis) for place in (0, 1, -1, -2))
        values = np.concatenate([2.0 * first - second, values, 2.0 * last - before], axis=axis)
    return values
