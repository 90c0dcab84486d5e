"""How many nodes meshes made on the GPU have, and what they reach.

Between nodes triangles are straight: nodes are as many as keep what that adds within a share of the error
asked for. What is drawn is then held to the truth, tables and triangles together.
"""

from collections.abc import Iterator
from math import ceil

import numpy as np

from prewarp.errors import PackageError
from prewarp.export.reached import Reached, on_triangles, weight_errors
from prewarp.export.truth import Truth
from prewarp.lookup import Lookup, prepare
from prewarp.lookup.device import node_positions
from prewarp.lookup.device_light import PreparedLight
from prewarp.lookup.measure import px_error

KIND = "mesh on the GPU"
# What triangles may add, of the error asked for; tables are searched for within the rest.
NODES_SHARE = 0.3
# Nodes are first tried so far apart, panel px, then nearer.
_WIDEST_PX, _NARROWEST_PX = 64.0, 2.0
_TRIES, _MARGIN = 12, 0.95


def node_counts(
    lookup: Lookup, truth: Truth, channel: str, planes: tuple[str, str, str], limit_px: float, /
) -> tuple[int, int]:
    """Return columns and rows such that triangles add at most `limit_px` to the error of a channel's maps at
    the truth's points.

    Raises
    ------
    PackageError
        Nodes would be too near to each other.
    """
    size = lookup.panel_sizes_px[lookup.channels.index(channel)]
    step = _WIDEST_PX
    for _ in range(_TRIES):
        columns, rows = (ceil(length / step) + 1 for length in size)
        worst = max(
            _added(lookup, truth, channel, colour, (columns, rows)) for colour in dict.fromkeys(planes)
        )
        if worst <= limit_px:
            return columns, rows
        # Errors of triangles fall with the square of the distance.
        step *= _MARGIN * float(np.sqrt(limit_px / worst))
        if step < _NARROWEST_PX:
            break
    raise PackageError(
        f"channel '{channel}': triangles add {worst:.3g} px to meshes made on the GPU with nodes "
        f"{step:.3g} px apart; expected at most {limit_px:.3g} px. Allow a larger error, or "
        "leave out the format 'gpu' (--max-error, --format)."
    )


def nodes_reached(
    lookup: Lookup,
    truth: Truth,
    channel: str,
    planes: tuple[str, str, str],
    nodes: tuple[int, int],
    /,
) -> Iterator[Reached]:
    """Hold a channel's meshes of `nodes` (columns, rows) to the truth, as they are drawn; gains too."""
    columns, rows = nodes
    size = np.asarray(lookup.panel_sizes_px[lookup.channels.index(channel)], dtype=float)
    share = truth.pixel[channel] / size
    across, down = (0.5 * (node_positions(count).astype(float) + 1.0) for count in nodes)
    pixel = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2) * size
    for colour in dict.fromkeys(planes):
        place, points = lookup.map_index(channel, colour), truth.maps[channel, colour]
        px, gains = 0.0, []
        for number, pupil in enumerate(truth.pupils_mm):
            tangent = prepare(lookup, place, pupil).mesh(columns, rows).astype(float)
            light = PreparedLight(lookup, pupil)
            gain = light.gain(place, pixel, tangent.reshape(-1, 2)).astype(float).reshape(rows, columns, 1)
            drawn = on_triangles(np.concatenate([tangent, gain], axis=-1), share)
            px = max(px, float(truth.px_error(channel, colour, drawn[:, :2], number).max()))
            gains.append(drawn[:, 2] - points.gain[number])
        yield Reached(KIND, channel, colour, px, *weight_errors(np.stack(gains)))


def _added(lookup: Lookup, truth: Truth, channel: str, colour: str, nodes: tuple[int, int]) -> float:
    """Return how far triangles are from the table that they are made of, panel px, at most."""
    place, worst = lookup.map_index(channel, colour), 0.0
    share = truth.pixel[channel] / np.asarray(lookup.panel_sizes_px[lookup.channels.index(channel)])
    slopes = truth.maps[channel, colour].px_per_tangent
    for number, pupil in enumerate(truth.pupils_mm):
        own = prepare(lookup, place, pupil)
        drawn = on_triangles(own.mesh(*nodes).astype(float), share)
        off = drawn - own.direction_from_panel(truth.pixel[channel])
        worst = max(worst, float(px_error(off, slopes[number]).max()))
    return worst
