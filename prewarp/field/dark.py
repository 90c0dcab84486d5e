"""What is missing from a capture, and so is dark: evidence for the lit part of a panel.

On a lattice a node that has no sample at a pupil position is dark there, if the panel has a point for it and
its neighbours on the panel are missing too: single ones were not found. What lies beyond the panel is missing
from every lattice in direction, and says nothing of light. Scattered samples say it where none lies within
some local spacings. Nothing is said beyond the lattice, nor beyond the panel.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import convolve, distance_transform_cdt
from scipy.spatial import cKDTree
from scipy.special import bdtrc, pdtrc

from prewarp.chebyshev import values_2d
from prewarp.checking.lattice import Lattice, find_lattices, node_table
from prewarp.checking.samples import Samples, samples_from_grid
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.field.border import inside_convex
from prewarp.field.captured import Captured
from prewarp.field.edges import PUPIL_DEGREE, fit_lit_regions, have_border
from prewarp.field.field import Field
from prewarp.field.lit import LitRegion, ray_place
from prewarp.frames import reference_pupil, tangent_from_degrees
from prewarp.grids import Grid

# Of missing nodes this many together are no chance: fewer are dots that were not found.
_LEAST_DARK = 8
# That dots not found by chance make so many dark nodes.
_CHANCE = 1e-6
# Missing neighbours that a dark node has: of eight, or of five and three at the edge of lattice or panel.
_NEIGHBOURS, _NEIGHBOURS_AT_EDGE = 3, 2
_AROUND, _SIDE = 8, 5
# Nodes up to so many steps from the border between seen and missing are taken all; of the others every so
# many.
_NEAR, _EVERY = 3, 7
# Degree of the polynomial that tells where on the panel a missing node would be, as the field may not reach.
_GUIDE_DEGREE = 3
# How far off the guide a field may place it, and how far inside the panel's edge the guide must, spacings.
_ASTRAY, _WITHIN = 0.5, 0.25
# Samples that are scattered: dark where none lies within so many spacings (by chance none: e^-7, one in a
# thousand), the local spacing told by so many neighbours; light ends about so many spacings outside the
# outermost, and evidence is put twice as far.
_EMPTY, _NEIGHBOURHOOD, _ENDS = 1.5, 6, 0.3
# Of more scattered samples those far from dark places stand for others: some 40,000 of them say as much.
_MANY_SAMPLES = 40_000


@dataclass(frozen=True)
class _Part:
    """Rays of one pupil position: `pixel` (n, 2), NaN where off the panel or not known, `seen` (n,).

    Each stands for `weight` (n,) rays.
    """

    pixel: FloatArray
    tangent: FloatArray
    pupil_mm: FloatArray
    seen: BoolArray
    weight: FloatArray


def lit_regions(
    part: Grid, fields: Mapping[str, Field], captured: Captured, /, *, left_out: BoolArray, spacing_px: float
) -> dict[str, tuple[LitRegion, ...]]:
    """Return the lit regions of every colour of one channel that has dark places; none where all is lit.

    Parameters
    ----------
    part : Grid
        The rows of the channel.
    fields : mapping of colour to Field
        Its fields, with their borders; the reference colour first.
    captured : Captured
        Which motions of the pupil the capture shows.
    left_out : (rows,) bool array
        Rows that are outliers: seen, but not where they say.
    spacing_px : float
        Distance of neighbouring dots, px.
    """
    samples = samples_from_grid(part)
    found: dict[str, tuple[LitRegion, ...]] = {}
    start: tuple[LitRegion, ...] = ()
    lattices = {samples.colour_of(one.pair): one for one in find_lattices(samples)}
    degree = min(PUPIL_DEGREE, captured.positions - 1 if len(captured.motions) else 0)
    for colour, field in fields.items():
        if colour not in lattices:
            continue
        parts = _parts(samples, lattices[colour], field, left_out, spacing_px)
        if sum(int(np.sum(~one.seen)) for one in parts) < _LEAST_DARK:
            continue
        reference = [reference_pupil(one.tangent, one.pupil_mm) for one in parts]
        place = ray_place(
            np.concatenate([one.pixel for one in parts]),
            np.concatenate(reference),
            field.panel_size_px,
            field.expansion.frame,
        )
        regions = fit_lit_regions(
            place,
            np.concatenate([one.seen for one in parts]),
            panel_size_px=field.panel_size_px,
            frame=field.expansion.frame,
            spacing_px=spacing_px,
            pupil_degree=degree,
            start=start,
            weight=np.concatenate([one.weight for one in parts]),
        )
        start = start or regions
        if have_border(regions, place):
            found[colour] = regions
    return found


def _parts(
    samples: Samples, lattice: Lattice, field: Field, left_out: BoolArray, spacing_px: float
) -> list[_Part]:
    """Return rays seen and missing near the border between them, pupil position by pupil position."""
    on_lattice = lattice.kind != "scattered"
    return (_on_lattice if on_lattice else _scattered)(
        samples, lattice, field, left_out[samples.index], spacing_px
    )


def _on_lattice(
    samples: Samples, lattice: Lattice, field: Field, wrong: BoolArray, spacing_px: float
) -> list[_Part]:
    groups, table = node_table(samples, lattice)
    nodes = np.stack(np.meshgrid(*lattice.levels), axis=-1)
    size = np.asarray(field.panel_size_px, dtype=float)
    parts, chance = [], _Chance()
    for group, numbers in zip(groups, table, strict=True):
        there = numbers >= 0
        if not there.any():
            continue
        pupil = samples.pupils_mm[samples.group_pupil[group]]
        guide = nodes.copy()
        if lattice.kind != "panel":
            guide[~there] = _guide(samples.pixel[numbers[there]], nodes[there], nodes[~there])
        within = there | np.all((guide >= _WITHIN * spacing_px) & (guide <= size - _WITHIN * spacing_px), -1)
        missing = _missing_together(there, within)
        chance.count(there, within)
        chosen = numbers[there & _near_the_other(missing)]
        chosen = chosen[~wrong[chosen]]
        if lattice.kind == "panel":
            pixel = nodes[missing]
            tangent = field.forward(pixel, pupil_mm=pupil)
            known = np.isfinite(tangent).all(axis=1)
        else:
            tangent = tangent_from_degrees(nodes[missing])
            close = (distance_transform_cdt(~there, metric="chessboard") <= _NEAR)[missing]
            pixel, known = _placed(field, tangent, pupil, guide[missing], close, within[missing], spacing_px)
            known &= np.all((pixel >= 0.0) & (pixel <= size), axis=1)
        parts.append(_part(samples, chosen, pixel[known], tangent[known], pupil))
    return parts if chance.excluded(sum(int(np.sum(~one.seen)) for one in parts)) else []


def _part(
    samples: Samples,
    seen: IntArray,
    dark_px: FloatArray,
    dark_tangent: FloatArray,
    pupil: FloatArray,
    weight: FloatArray | None = None,
) -> _Part:
    """Return seen and dark rays together; `weight` how many each of those seen stands for, or one."""
    count = len(seen) + len(dark_px)
    weight = np.ones(len(seen)) if weight is None else weight
    return _Part(
        np.concatenate([samples.pixel[seen], dark_px]),
        np.concatenate([samples.tangent[seen], dark_tangent]),
        np.broadcast_to(pupil, (count, 3)),
        np.arange(count) < len(seen),
        np.concatenate([weight, np.ones(len(dark_px))]),
    )


def _missing_together(there: BoolArray, within: BoolArray) -> BoolArray:
    """Return which missing nodes (rows, columns) have missing neighbours: dark, not overlooked.

    `within` says which nodes the panel has a point for; others are missing whatever the light.
    """
    return np.asarray(~there & (_count_around(within & ~there) >= _fewest_missing(_count_around(within))))


def _fewest_missing(around: IntArray) -> IntArray:
    """Return how many neighbours a dark node lacks at least, of so many `around` that the panel has."""
    return np.where(around > _SIDE, _NEIGHBOURS, _NEIGHBOURS_AT_EDGE)


def _count_around(nodes: BoolArray) -> IntArray:
    """Return how many of the eight neighbours of each node are among `nodes` (rows, columns)."""
    count: IntArray = convolve(nodes.astype(np.int64), np.ones((3, 3), dtype=np.int64), mode="constant")
    count -= nodes
    return count


class _Chance:
    """How many nodes would look dark if dots were not found at random, view by view.

    The share of dots that are not found is that among nodes of which no neighbour is missing.
    """

    def __init__(self) -> None:
        self._alone = np.zeros(2)  # nodes with no missing neighbour: missing, and there
        self._by_neighbours = np.zeros(_AROUND + 1)  # nodes that have so many neighbours on the panel

    def count(self, there: BoolArray, within: BoolArray) -> None:
        """Take in a view: nodes (rows, columns) that are there, and that the panel has a point for."""
        alone = within & (_count_around(within & ~there) == 0)
        self._alone += np.sum(alone & ~there), np.sum(alone & there)
        self._by_neighbours += np.bincount(_count_around(within)[within], minlength=_AROUND + 1)

    def excluded(self, dark: int) -> bool:
        """Return whether so many dark nodes are more than chance makes."""
        share = float(self._alone[0] / max(self._alone.sum(), 1.0))
        around = np.arange(_AROUND + 1)
        fewest = _fewest_missing(around)
        enough = np.where(around >= fewest, bdtrc(fewest - 1, np.maximum(around, fewest), share), 0.0)
        expected = max(float(self._by_neighbours @ enough) * share, 1e-12)
        return dark > 0 and bool(pdtrc(dark - 1, expected) < _CHANCE)


def _near_the_other(missing: BoolArray) -> BoolArray:
    """Return nodes within some steps of missing ones, and every so many of the others."""
    rows, columns = np.indices(missing.shape)
    sparse = (rows * 3 + columns) % _EVERY == 0
    if not missing.any():
        return np.asarray(sparse)
    return np.asarray((distance_transform_cdt(~missing, metric="chessboard") <= _NEAR) | sparse)


def _guide(pixel: FloatArray, nodes: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return about where nodes (n, 2) would be on the panel, px: a cubic through the ones that are seen."""
    low, high = nodes.min(axis=0), nodes.max(axis=0)
    middle, half = 0.5 * (low + high), np.maximum(0.5 * (high - low), 1e-9)

    def basis(place: FloatArray) -> FloatArray:
        x, y = ((place - middle) / half).T
        return values_2d(x, y, _GUIDE_DEGREE).T

    solution, *_ = np.linalg.lstsq(basis(nodes), pixel, rcond=None)
    return np.asarray(basis(wanted) @ solution)


def _placed(
    field: Field,
    tangent: FloatArray,
    pupil: FloatArray,
    guide: FloatArray,
    close: BoolArray,
    inside: BoolArray,
    spacing: float,
) -> tuple[FloatArray, BoolArray]:
    """Return panel points (n, 2) of missing directions, and which are well known.

    `guide` (n, 2) says about where; `close`, near nodes that are seen; `inside`, on the panel by the guide.
    """
    size = np.asarray(field.panel_size_px, dtype=float)
    pixel, known = guide.copy(), inside & ~close
    if close.any():
        found = field.inverse(tangent[close], pupil_mm=pupil, margin_px=float(size.max()))
        astray = np.linalg.norm(found.pixel - guide[close], axis=1) > _ASTRAY * spacing
        good = found.valid & ~astray
        pixel[close] = np.where(good[:, None], found.pixel, guide[close])
        known[close] = good | inside[close]
    return pixel, known


def _scattered(
    samples: Samples, lattice: Lattice, field: Field, wrong: BoolArray, spacing_px: float
) -> list[_Part]:
    width, height = field.panel_size_px
    u, v = (np.arange(0.5 * spacing_px, length, spacing_px) for length in (width, height))
    raster = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    raster = raster[inside_convex(raster, field.border_pixel, slack=-0.5 * spacing_px)]
    every = max(1, len(lattice.index) // _MANY_SAMPLES)
    parts = []
    for group in np.unique(samples.group[lattice.index]):
        own = lattice.index[samples.group[lattice.index] == group]
        own = own[~wrong[own]]
        # A few rays of one position do not say what is missing.
        if len(own) < _LEAST_DARK**2 or not len(raster):
            continue
        pupil = samples.pupils_mm[samples.group_pupil[group]]
        dark = _beside(samples.pixel[own], raster)
        tangent = field.forward(dark, pupil_mm=pupil)
        known = np.isfinite(tangent).all(axis=1)
        weight = _thinned(samples.pixel[own], dark[known], _NEAR * spacing_px, every)
        chosen = weight > 0.0
        parts.append(_part(samples, own[chosen], dark[known], tangent[known], pupil, weight[chosen]))
    return parts


def _thinned(pixel: FloatArray, dark: FloatArray, near_px: float, every: int) -> FloatArray:
    """Return how many samples each (n, 2) is to stand for: 1 near dark points (k, 2), else 0 or so many."""
    weight = np.where(np.arange(len(pixel)) % every == 0, float(every), 0.0)
    if len(dark) and every > 1:
        distance, _ = cKDTree(dark).query(pixel, distance_upper_bound=near_px)
        weight[np.isfinite(distance)] = 1.0
    return weight


def _beside(pixel: FloatArray, raster: FloatArray) -> FloatArray:
    """Return dark points (k, 2), px, beside scattered samples (n, 2), and those of a raster that are dark."""
    tree = cKDTree(pixel)
    around, _ = tree.query(pixel, k=[_NEIGHBOURHOOD + 1])
    # Of a density rho there are pi r^2 rho neighbours within r; at a border about half of them.
    spacing = np.asarray(around)[:, 0] * np.sqrt(0.75 * np.pi / _NEIGHBOURHOOD)
    distance, nearest = (np.asarray(one) for one in tree.query(raster))
    empty = np.flatnonzero(distance > _EMPTY * spacing[nearest])
    step = raster[empty] - pixel[nearest[empty]]
    way = step / distance[empty, None]
    return np.concatenate(
        [pixel[nearest[empty]] + 2.0 * _ENDS * spacing[nearest[empty], None] * way, raster[empty]]
    )
