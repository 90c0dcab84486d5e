"""Whole grids from a design."""

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import TraceError
from prewarp.frames import degrees_from_tangent
from prewarp.module import Channel, Colour, DisplayModule, EyeBox, Panel, Reach
from prewarp.trace import Design, DesignChannel, reach_lattice, trace_grid, trace_samples
from prewarp.trace.design import PanelPlace, Surface

PANEL = Panel(1000, 800, 10.0, "srgb", 8)
MODULE = DisplayModule(
    "one window",
    (Channel("only", "left", PANEL, Reach((-10.0, 10.0), (-5.0, 5.0))),),
    (Colour("R", 630.0), Colour("G", 530.0)),
    EyeBox(1.0, 1.0, 1.0),
    ContentProjection("flat", (64, 64), 20.0),
)


def window(gap_mm=20.0):
    optics = DesignChannel("only", (Surface(),), PanelPlace(gap_mm=gap_mm), relative_luminance=(("R", 0.5),))
    return Design("window", (optics,))


def test_reach_lattice_runs_x_fastest_and_is_even_in_degrees():
    lattice = degrees_from_tangent(reach_lattice(MODULE.channels[0], (3, 2), margin_deg=(2.0, 2.0)))
    expected = [[-12, -7], [0, -7], [12, -7], [-12, 7], [0, 7], [12, 7]]
    np.testing.assert_allclose(lattice, expected, atol=1e-13)


def test_grid_holds_every_ray_of_a_window():
    pupils = MODULE.eye_box.lattice((2, 2, 2))
    directions = {"only": reach_lattice(MODULE.channels[0], (3, 3))}
    grid = trace_grid(window(), MODULE, pupils=pupils, directions=directions)
    assert len(grid) == 2 * 8 * 9
    # The panel stands 20 mm ahead: u = 500 + 100 (x + (20 - z) tx), v = 400 - 100 (y + (20 - z) ty).
    depth = 20.0 - grid.pupil_mm[:, 2:]
    landing = grid.pupil_mm[:, :2] + depth * grid.tangent
    np.testing.assert_allclose(grid.pixel, [500.0, 400.0] + landing * [100.0, -100.0], atol=1e-9)
    red = grid.select(colour="R")
    np.testing.assert_allclose(red.luminance, 0.5)
    np.testing.assert_allclose(grid.select(colour="G").luminance, 1.0)


def test_lost_rays_are_counted_and_dropped():
    pupils, directions = np.zeros((1, 3)), {"only": np.array([[0.0, 0.0], [0.5, 0.0]])}
    traced = trace_samples(window(), MODULE, pupils=pupils, directions=directions)
    assert len(traced.grid) == 2
    assert traced.lost == {"only": {"surface 2 (panel): off the panel": 2}}
    with pytest.raises(
        TraceError, match="channel 'only', R: no ray reaches the panel; most often .*off the panel"
    ):
        trace_grid(window(), MODULE, pupils=pupils, directions={"only": np.array([[0.9, 0.0]])})
