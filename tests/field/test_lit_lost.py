"""Dots that are lost at random leave no part of a panel dark, beside the panel's edge either; a rim does.

Before, nodes of a lattice of directions that fall beyond the panel counted as missing neighbours, and a dot
lost at the edge passed for dark: in the demo's coaxial grid the outer channel's red.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from prewarp.field import fit_grid
from prewarp.field.dark import _Chance, _missing_together
from prewarp.grids import read_grid
from prewarp.module import read_module
from prewarp.trace import read_design, trace_channel
from tests.dark_cases import BETWEEN, CENTRED, PANEL, case
from tests.dark_cases import _spoiled as spoiled
from tests.support import LONG, long_form

PUPILS = ((0.0, 0.0, 0.0), (-4.0, 3.0, 0.0), (2.5, -1.2, 0.0))
# Channels and colours of the demo's grids, and seeds; in the first the demo's own seed made red dark.
LOST = (
    [(name, channel, share, seed) for name in ("coaxial", "folded") for channel in ("inner", "outer")
     for share in (0.01, 0.05) for seed in (20240611, 1)]
    if LONG
    else [("coaxial", "outer", 0.01, 20240611), ("folded", "outer", 0.05, 1)]
)  # fmt: skip


@cache
def demo(name):
    return read_module(f"calib/{name}.module.toml"), read_grid(f"calib/{name}.grid.npz")


def with_lost(grid, share, seed):
    """Return a grid without a share of its rows and with noise, as the demo's captures are."""
    random = np.random.default_rng(seed)
    grid = grid.take(np.flatnonzero(random.random(len(grid)) >= share))
    return replace(grid, pixel=grid.pixel + random.normal(0.0, 0.05, grid.pixel.shape))


@pytest.mark.parametrize(("name", "channel", "share", "seed"), LOST)
def test_lost_dots_leave_no_part_dark_that_the_trace_lights(name, channel, share, seed):
    """Every ray that the trace takes to the panel, one dot spacing inside its edge, is lit."""
    module, grid = demo(name)
    grid = with_lost(grid, share, seed).select(channel=channel)
    fields = fit_grid(grid, panel_size_px=module.panel_sizes_px)
    (own,) = [one for one in module.channels if one.name == channel]
    optics = read_design(f"calib/{name}.design.toml").channel(channel)
    for colour in module.colours:
        field = fields.field(channel, colour.name)
        assert not field.lit, colour.name
        x, y = own.reach.dir_x_deg, own.reach.dir_y_deg
        angle = np.random.default_rng(3).uniform((x[0], y[0]), (x[1], y[1]), (4000, 2))
        for pupil in PUPILS:
            traced = trace_channel(
                optics,
                own.panel,
                np.tan(np.radians(angle)),
                pupil_mm=pupil,
                wavelength_nm=colour.wavelength_nm,
            )
            pixel = traced.pixel[traced.valid]
            inside = (np.minimum(pixel, np.array(own.panel.size_px) - pixel) > 145.0).all(axis=1)
            assert inside.sum() > 500
            assert (field.depth_px(pixel[inside], pupil_mm=pupil) > 0.0).all()


@long_form
@pytest.mark.outside
@pytest.mark.parametrize("share", [0.02, 0.05])
def test_where_the_panel_alone_ends_the_light_lost_dots_change_nothing(share):
    """The eyepiece without rims, by optiland."""
    open_pair = spoiled(case("nothing dark"), noise_px=0.0, lost=share)
    fields = fit_grid(open_pair.grid, panel_size_px=open_pair.module.panel_sizes_px)
    assert not [key for key in fields.fields if fields.fields[key].lit]
    inner = np.random.default_rng(1).uniform(100.0, np.array(PANEL) - 100.0, (2000, 2))
    for channel in fields.channels:
        for pupil in (CENTRED, *BETWEEN):
            assert (fields.field(channel, "R").depth_px(inner, pupil_mm=pupil) > 0.0).mean() > 0.98


def test_a_lost_dot_at_the_panels_edge_is_not_dark_and_a_cut_corner_is():
    within = np.ones((9, 9), dtype=bool)
    within[0] = False
    there = within.copy()
    there[1, 4] = False  # beside the edge: five neighbours on the panel, all there
    assert not _missing_together(there, within).any()
    there[1:4, :3] = False
    dark = _missing_together(there, within)
    assert dark[1:4, :3].all() and not dark[1, 4] and not dark[4:].any()


@pytest.mark.parametrize("share", [0.01, 0.05, 0.1])
def test_chance_makes_as_many_dark_nodes_as_it_says(share):
    """Views of a lattice that lose dots at random, against one with a corner dark from every view."""
    random = np.random.default_rng(5)
    within = np.ones((25, 25), dtype=bool)
    within[:, :3] = False
    by_chance, with_corner = _Chance(), _Chance()
    count = np.zeros(2, dtype=int)
    for _ in range(60):
        there = within & (random.random(within.shape) >= share)
        cut = there.copy()
        cut[:4, 3:8] = False
        for number, (views, seen) in enumerate(((by_chance, there), (with_corner, cut))):
            views.count(seen, within)
            count[number] += int((_missing_together(seen, within) & within).sum())
    assert not by_chance.excluded(int(count[0]))
    assert with_corner.excluded(int(count[1])) and count[1] > 20 * 60 - 1
