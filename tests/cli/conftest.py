"""A small capture in files, its fit and module, made once for all command tests."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from prewarp.cli import main
from prewarp.grids import write_grid
from tests.synthetic import make_grid, pupil_lattice

PANEL = (640, 480)

MODULE = """
name = "test visor"
[eye_box]
half_x_mm = 3.0
half_y_mm = 3.0
half_z_mm = 0.0
[content]
projection = "flat"
width_px = 320
height_px = 160
field_x_deg = 90.0
[color.R]
wavelength_nm = 630.0
[color.G]
wavelength_nm = 532.0
[color.B]
wavelength_nm = 460.0
"""
CHANNEL = """
[channel.{name}]
eye = "right"
[channel.{name}.panel]
width_px = 640
height_px = 480
pitch_um = 8.0
encoding = "srgb"
bit_depth = 8
[channel.{name}.reach]
dir_x_deg = [{low}, {high}]
dir_y_deg = [-15.0, 15.0]
"""
SCAN = """
[channel.{name}.panel.scan]
direction = "{direction}"
start_ms = {start}
line_us = 20.0
persistence_ms = 2.0
"""


def scanned(inner: str = "down", outer: str = "down", starts: tuple[float, float] = (0.0, 0.0)) -> str:
    """Return the tables that declare when both panels light their lines."""
    ways = zip(("inner", "outer"), (inner, outer), starts, strict=True)
    return "".join(SCAN.format(name=name, direction=way, start=start) for name, way, start in ways)


def small_channels():
    """Two closed-form channels whose panels overlap by some degrees."""
    from tests.synthetic import two_channels

    return two_channels(size_px=PANEL, focal_px=720.0)


@pytest.fixture(scope="session")
def capture(tmp_path_factory) -> Path:
    """A folder with grid.csv, visor.toml and visor.fit.npz."""
    folder = tmp_path_factory.mktemp("capture")
    grid = make_grid(
        "panel", noise_px=0.02, seed=3, points=9, pupils=pupil_lattice(3, 3.0), channels=small_channels()
    )
    write_grid(folder / "grid.csv", grid)
    channels = CHANNEL.format(name="inner", low=-40, high=10) + CHANNEL.format(name="outer", low=-10, high=40)
    (folder / "visor.toml").write_text(MODULE + channels, encoding="utf-8")
    done = run(
        "fit", folder / "grid.csv", "--module", folder / "visor.toml", "-o", folder / "visor.fit.npz", "-q"
    )
    assert done.exit_code == 0, done.output
    return folder


def run(*arguments):
    """Run a command line in this process; `stdout` and `stderr` are kept apart."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])
