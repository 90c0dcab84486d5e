"""Small lookups of every family, quick to make: two channels, two colours, weights and a gain."""

from functools import lru_cache

import numpy as np

from prewarp.content import ContentProjection
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.candidates import ChannelProblem
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, rounded_codes
from prewarp.lookup.mesh_modes import mesh_modes, mesh_table
from prewarp.lookup.series import field_series
from prewarp.lookup.surfaces import fitted_surface
from prewarp.lookup.tables import Family, Lookup
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


def channel_tables(problem, family, *, bits=None):
    """Return the tables of one channel in a family."""
    tables = []
    for place, part in enumerate(problem.parts):
        if family == Family.CHEBYSHEV:
            codes = rounded_codes(graded_coefficients(part), STEP, 0.5)
            tables.append(chebyshev_table(codes, STEP, bits=bits))
        else:
            # The last mesh has an odd number of nodes each way, the difference another one than its base.
            tables.append(mesh_table(mesh_modes(part, 9 - 2 * place, 7), 4 - place, STEP, bits=bits))
    return problem.placed(tables)


def small_lookup(family, *, bits=None, surfaces=True):
    """Return a lookup of two channels and two colours."""
    maps = []
    for problem in problems():
        start = len(maps)
        for table in channel_tables(problem, family, bits=bits):
            base = None if table.base is None else start
            maps.append(type(table)(**{**table.__dict__, "base": base, "error_px": 0.125}))
    weight = fitted_surface(
        lambda t: np.clip(0.5 + 2.0 * t[..., 0], 0.0, 1.0),
        np.array([-0.7, -0.5]),
        np.array([0.4, 0.5]),
        channel=0,
        colour=None,
        max_error=0.01,
    )
    gain = fitted_surface(
        lambda p: 0.7 + 1e-6 * (p[..., 0] - 200.0) ** 2,
        np.zeros(2),
        np.array(SIZE),
        channel=1,
        colour=1,
        max_error=0.002,
    )
    shades = ((weight,), (gain,)) if surfaces else ((), ())
    return Lookup(("left", "right"), ("G", "R"), (SIZE, SIZE), BOX_MM, tuple(maps), CONTENT, *shades)


CASES = {
    "chebyshev": (Family.CHEBYSHEV, None),
    "chebyshev12": (Family.CHEBYSHEV, 12),
    "spline": (Family.SPLINE, None),
    "spline12": (Family.SPLINE, 12),
    "spline16": (Family.SPLINE, 16),
}


@lru_cache(maxsize=8)
def case(name):
    """Return one of `CASES`."""
    family, bits = CASES[name]
    return small_lookup(family, bits=bits)


@lru_cache(maxsize=1)
def small_blobs():
    """Return {name: blob} of `CASES`."""
    return {name: blob_from_lookup(case(name)) for name in CASES}
