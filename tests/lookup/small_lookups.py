"""Small lookups of every family, quick to make: two channels, two colours, claims, borders and a gain."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from prewarp.content import ContentProjection
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.candidates import ChannelProblem
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, rounded_codes
from prewarp.lookup.coding import CodedArray, Format
from prewarp.lookup.mesh_modes import mesh_modes, mesh_table
from prewarp.lookup.pupil import region_exponents
from prewarp.lookup.series import field_series
from prewarp.lookup.tables import BorderTable, ClaimTable, Family, GainTable, Lookup, RegionTable
from tests.closed_form import PlaneChannel

BOX_MM = np.array([[-4.0, -3.0, -2.0], [4.0, 3.0, 2.0]])
SIZE = (640, 480)
CONTENT = ContentProjection("flat", (800, 500), 80.0)
# Tangents: about 0.03 px of the small panel.
STEP = 2e-5


@lru_cache(maxsize=1)
def plane_fields():
    """Return {(channel, colour): field}: two plane channels in two colours, without any seam between."""
    return {
        (name, colour): PlaneChannel(
            name,
            colour,
            SIZE,
            distance_m=0.8,
            centre=(0.2 * sign, 0.01),
            half_width=0.36 * scale,
            turn_deg=2.0 * sign,
            division=0.05 * sign,
            keystone=(0.03, -0.02),
        )
        for name, sign in (("left", -1.0), ("right", 1.0))
        for colour, scale in (("G", 1.0), ("R", 1.004))
    }


@lru_cache(maxsize=1)
def problems():
    """Return a `ChannelProblem` per channel."""
    fields = plane_fields()
    nodes = {"panel_nodes": 14, "pupil_nodes": (3, 3, 3)}
    series = [
        tuple(field_series(fields[name, colour], BOX_MM, **nodes) for colour in ("G", "R"))
        for name in ("left", "right")
    ]
    return tuple(ChannelProblem(place, SIZE, (0, 1), own) for place, own in enumerate(series))


def channel_tables(problem, family, *, bits=None, step=STEP):
    """Return the tables of one channel in a family."""
    tables = []
    for place, part in enumerate(problem.parts):
        if family == Family.CHEBYSHEV:
            tables.append(chebyshev_table(rounded_codes(graded_coefficients(part), step), step))
        else:
            # The last mesh has an odd number of nodes each way, the difference another one than its base.
            tables.append(mesh_table(mesh_modes(part, 9 - 2 * place, 7), 4 - place, step, bits=bits))
    return problem.placed(tables)


def small_lookup(family, *, bits=None, step=STEP, lit=True):
    """Return a lookup of two channels and two colours."""
    maps = []
    for problem in problems():
        start = len(maps)
        for table in channel_tables(problem, family, bits=bits, step=step):
            base = None if table.base is None else start
            maps.append(type(table)(**{**table.__dict__, "base": base, "error_px": 0.125}))
    light = small_light() if lit else {}
    return Lookup(("left", "right"), ("G", "R"), (SIZE, SIZE), BOX_MM, tuple(maps), CONTENT, **light)


def one_channel(family, *, bits=None):
    """Return a lookup of one channel and colour on few nodes, with a border and a hole."""
    problem = replace(problems()[0], colours=(0,), series=problems()[0].series[:1])
    if family == Family.SPLINE:
        (table,) = problem.placed([mesh_table(mesh_modes(problem.parts[0], 5, 4), 3, STEP, bits=bits)])
    else:
        (table,) = channel_tables(problem, family, bits=bits)
    border = small_light()["borders"][0]
    return Lookup(("left",), ("G",), (SIZE,), BOX_MM, (table,), CONTENT, borders=(border,))


def small_light():
    """Return claims, borders and a gain: a hole in the left panel's green, moving rims in the right's."""
    random = np.random.default_rng(4)
    across = np.linspace(-0.2, 1.2, 9)[None, None] * np.ones((2, 7, 1))
    across[0] = 1.0 - across[0]
    codes = np.rint((across + random.uniform(-0.02, 0.02, across.shape)) / 2.0**-14).astype(np.int64)
    claims = ClaimTable(
        9, 7, np.array([-8.0, -6.0]), 2.0, 0.001953125, CodedArray(Format.INT16, codes.ravel(), 2.0**-14)
    )
    along = np.arange(8) / 8
    corners = np.array([[0.02, 0.05], [0.97, 0.0], [1.0, 0.9], [0.6, 1.0], [0.0, 0.8]])
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    points = np.concatenate([a + along[:, None] * (b - a) for a, b in sides])
    block = CodedArray(Format.UINT16, np.rint(points * 65535).astype(np.int64).ravel(), 1.0)
    hole = region({(2, 0, 0, 0): 0.5, (0, 2, 0, 0): 0.5, (0, 0, 0, 0): 0.95}, 2, 0)
    rim = region({(0, 0, 0, 0): 0.9, (2, 0, 0, 0): -0.4, (1, 0, 1, 0): -0.2, (0, 3, 0, 0): 0.05}, 3, 2)
    middle = np.array([330.0, 236.0])
    borders = [BorderTable(middle, block, regions) for regions in ((hole,), (), (rim, hole), (rim,))]
    logs = random.uniform(-0.1, 0.1, (6, 3))
    logs[0, 0] = -0.35
    own = CodedArray(Format.INT16, np.rint(logs.ravel() / 2.0**-15).astype(np.int64), 2.0**-15)
    gain = GainTable(1, 1, 2, 1, np.array([0.5, 0.0]), np.array([5.0, 4.0]), own, 0.001)
    return {"claims": claims, "borders": tuple(borders), "gains": (gain,)}


def region(terms, degree, pupil_degree):
    """Return a region from its terms by exponents of u, v, x0, y0."""
    numbers = [terms.get(tuple(one), 0.0) for one in region_exponents(degree, pupil_degree).tolist()]
    block = CodedArray(Format.INT16, np.rint(np.array(numbers) * 2.0**14).astype(np.int64), 2.0**-14)
    return RegionTable(degree, pupil_degree, np.array([0.0, 0.5]), np.array([6.0, 5.0]), block)


CASES = {
    "chebyshev": (Family.CHEBYSHEV, None, STEP),
    # Codes of up to 20 bits.
    "chebyshev fine": (Family.CHEBYSHEV, None, 1e-6),
    "spline": (Family.SPLINE, None, STEP),
    "spline12": (Family.SPLINE, 12, STEP),
    "spline16": (Family.SPLINE, 16, STEP),
}


@lru_cache(maxsize=8)
def case(name):
    """Return one of `CASES`."""
    family, bits, step = CASES[name]
    return small_lookup(family, bits=bits, step=step)


@lru_cache(maxsize=1)
def small_blobs():
    """Return {name: blob} of `CASES`."""
    return {name: blob_from_lookup(case(name)) for name in CASES}
