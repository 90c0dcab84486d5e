"""When a panel's lines are lit: what is read from the module file, what is refused, the time of a point."""

import numpy as np
import pytest

from prewarp.errors import ModuleError
from prewarp.module import Panel, read_module
from prewarp.scan import SCAN_DIRECTIONS, PanelScan
from tests.test_module import GOOD, write

SCAN = """
[channel.inner.panel.scan]
direction = "down"
start_ms = 0.5
line_us = 4.0
persistence_ms = 2.0
"""


def test_a_scan_is_read_and_may_be_left_out(tmp_path):
    module = read_module(write(tmp_path, GOOD + SCAN))
    assert module.channel("inner").panel.scan == PanelScan("down", 0.5, 4.0, 2.0)
    assert module.channel("outer").panel.scan is None


@pytest.mark.parametrize(
    ("line", "instead", "message"),
    [
        ('direction = "down"', 'direction = "sideways"', "expected one of 'down', 'up', 'left', 'right'"),
        ('direction = "down"', "direction = 1", "channel.inner.panel.scan.direction is 1"),
        ("start_ms = 0.5", "", "channel.inner.panel.scan.start_ms is missing; expected a number from 0 to"),
        ("start_ms = 0.5", "start_ms = -1.0", "start_ms is -1.0 (out of range)"),
        ("start_ms = 0.5", "start_ms = 500.0", "expected a number from 0 to 100 ms"),
        ("line_us = 4.0", "line_us = nan", "line_us is nan"),
        ("line_us = 4.0", "line_us = 1e9", "expected a number from 0 to 10000 us"),
        ("line_us = 4.0", "line_us = 400.0", "scan.line_us is 400: 2048 lines take 819.2 ms"),
        ("line_us = 4.0", "line_ms = 0.004", "is not a known key"),
        ("persistence_ms = 2.0", "persistence_ms = 0.0", "persistence_ms is 0.0 (out of range)"),
        ("persistence_ms = 2.0", "persistence_ms = true", "persistence_ms is True"),
    ],
)
def test_what_is_wrong_with_a_scan_is_named(tmp_path, line, instead, message):
    path = write(tmp_path, GOOD + SCAN.replace(line, instead))
    with pytest.raises(ModuleError) as caught:
        read_module(path)
    assert message in str(caught.value)
    assert str(path) in str(caught.value)
    assert "channel.inner.panel.scan" in str(caught.value)


def test_a_scan_that_is_no_table_is_refused(tmp_path):
    text = GOOD.replace("gamma = 2.2", 'gamma = 2.2\nscan = "down"')
    with pytest.raises(ModuleError, match=r"channel\.inner\.panel\.scan is 'down'; expected a table"):
        read_module(write(tmp_path, text))


def test_in_python_too_the_time_of_a_picture_is_checked():
    scan = PanelScan("right", 0.0, 100.0, 1.0)
    with pytest.raises(ModuleError, match="2560 lines take 256 ms"):
        Panel(2560, 480, 8.0, "srgb", 8, scan=scan)
    assert Panel(480, 2560, 8.0, "srgb", 8, scan=scan).scan is scan


def _by_hand(scan, size, row, column):
    """Count lines one by one until the pixel's is lit: no formula shared with the code under test."""
    width, height = size
    order = {
        "down": [("row", k) for k in range(height)],
        "up": [("row", k) for k in reversed(range(height))],
        "right": [("column", k) for k in range(width)],
        "left": [("column", k) for k in reversed(range(width))],
    }[scan.direction]
    time_us = scan.start_ms * 1000.0
    for kind, k in order:
        if k == (row if kind == "row" else column):
            return time_us / 1000.0 + scan.persistence_ms / 2.0
        time_us += scan.line_us
    raise AssertionError("no such line")


@pytest.mark.parametrize("direction", SCAN_DIRECTIONS)
def test_every_pixel_is_lit_in_the_order_of_its_direction(direction):
    scan, size = PanelScan(direction, 1.25, 300.0, 2.0), (7, 5)
    for row in range(5):
        for column in range(7):
            centre = np.array([column + 0.5, row + 0.5])
            assert scan.lit_ms(centre, size) == pytest.approx(_by_hand(scan, size, row, column), abs=1e-12)


def test_times_broadcast_and_nan_stays():
    scan = PanelScan("up", 0.0, 10.0, 1.0)
    time = scan.lit_ms(np.array([[[1.0, 2.0], [np.nan, np.nan]]]), (64, 48))
    assert time.shape == (1, 2)
    assert np.isnan(time[0, 1])
    assert scan.picture_ms((64, 48)) == pytest.approx(0.48)


def test_all_lines_at_once():
    scan = PanelScan("left", 3.0, 0.0, 1.0)
    assert np.all(scan.lit_ms(np.random.default_rng(1).random((9, 2)) * 64.0, (64, 64)) == 3.5)
