"""Luminance of mesh nodes as a function of the pupil: tables beside those of `eye_table.py`.

Luminance does not change along a ray, so its logarithm is a polynomial of where the ray crosses the plane z =
0, as in `prewarp.photometry.luminance`: a table sums it with the basis of the directions.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from prewarp.chebyshev import count_of_degree, nodes_1d, values_2d
from prewarp.checks import FloatArray
from prewarp.lattice import spline_through
from prewarp.photometry import LightMatch, LuminanceMaps
from prewarp.photometry.luminance import PUPIL_MARGIN, LuminanceMap
from prewarp.photometry.target import TargetLight
from prewarp.points import lattice_points
from prewarp.render.live.eye_table import EyeTable, ringed

# Luminance is smooth over a panel: it is asked at so many nodes each way and joined by a cubic spline.
_NODES = 33
_MOST_DEGREE = 8


@dataclass(frozen=True)
class EyeLight:
    """How bright the channels of an eye are, and how they are matched.

    `match`: maps and targets; `white`: the luminance that is shown as white, by colour; `colours`: which
    colour of the maps is drawn as red, green, blue.
    """

    match: LightMatch
    white: Mapping[str, float]
    colours: tuple[str, str, str]

    @property
    def shares(self) -> LuminanceMaps:
        """The maps as shares of white."""
        return self.match.maps.shares(self.white)

    @property
    def targets(self) -> list[TargetLight]:
        """Targets of red, green, blue."""
        return [self.match.targets[colour] for colour in self.colours]


def lit_table(table: EyeTable, light: EyeLight, /) -> EyeTable:
    """Return a table that knows how bright its nodes are, `log_own` and `log_seen`.

    Maps of a higher pupil degree than the table's raise it, to at most 8.
    """
    # A match is made from fitted maps, not from shares of them.
    maps = [cast(LuminanceMap, light.match.maps.map(table.channel, colour)) for colour in light.colours]
    degree = max(table.degree, *(min(one.pupil_degree, _MOST_DEGREE) for one in maps))
    table = _raised(table, degree)
    # Further out the maps stay as they are, which no polynomial does.
    followed = [PUPIL_MARGIN * np.array(one.frame.half_mm) - np.abs(one.frame.centre_mm) for one in maps]
    half = np.minimum(table.half_mm, np.min(followed, axis=0))
    pupils = lattice_points(*(length * nodes_1d(degree + 2) for length in half), np.zeros(1))
    x, y = (pupils[:, :2] / table.half_mm).T
    basis = values_2d(x, y, degree).T
    nodes = table.node_px[1:-1, 1:-1]
    red_blue = np.tensordot(basis, table.seen_px, axes=1)[:, 1:-1, 1:-1]
    where = [red_blue[..., 0, :], None, red_blue[..., 1, :]]
    logs = [_node_logs(one, table, pupils, nodes, seen) for one, seen in zip(maps, where, strict=True)]
    own, seen = (np.stack(samples, axis=-1) for samples in zip(*logs, strict=True))
    seen -= np.log([light.white[colour] for colour in light.colours])
    to_coefficients = np.linalg.pinv(basis)
    log_own, log_seen = (ringed(np.tensordot(to_coefficients, samples, axes=1)) for samples in (own, seen))
    return replace(table, log_own=log_own, log_seen=log_seen)


def _node_logs(
    own: LuminanceMap, table: EyeTable, pupils: FloatArray, nodes: FloatArray, seen_px: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Return the logarithm of luminance (pupils, rows, columns) at nodes and at points seen with them."""
    size = np.array(table.panel_size_px, dtype=float)
    coarse = np.stack(np.meshgrid(*(np.linspace(0.0, length, _NODES) for length in size)), axis=-1)
    at_nodes, at_seen = [], []
    for number, pupil in enumerate(pupils):
        # From a pupil in the plane z = 0 it does not matter where to.
        log = np.log(own.at(coarse, np.zeros(2), pupil_mm=pupil))
        spline = spline_through(log[..., None], origin=np.zeros(2), step=size / (_NODES - 1))
        at_nodes.append(spline.on_lattice(nodes[0, :, 0], nodes[:, 0, 1])[..., 0])
        at_seen.append(at_nodes[-1] if seen_px is None else spline.at(seen_px[number])[..., 0])
    return np.array(at_nodes), np.array(at_seen)


def _raised(table: EyeTable, degree: int) -> EyeTable:
    """Return the same table in a basis of a higher degree, which begins with the lower one."""
    more = count_of_degree(degree) - count_of_degree(table.degree)

    def padded(values: FloatArray) -> FloatArray:
        return np.concatenate([values, np.zeros((more, *values.shape[1:]))])

    return replace(table, degree=degree, cosine=padded(table.cosine), seen_px=padded(table.seen_px))
