"""Checks of channels as wholes, and the quick part that runs before a fit."""

import time
from dataclasses import replace

import numpy as np
import pytest

from prewarp.checking import check_grid, quick_check
from prewarp.errors import GridError
from prewarp.field import fit_grid
from tests.synthetic import make_grid, pupil_lattice, two_channels

WIDE = (2560, 1440)


@pytest.fixture(scope="module")
def clean():
    return make_grid(points=7, pupils=pupil_lattice(3), channels=two_channels(size_px=WIDE))


def both_say(grid, size=WIDE):
    """Return the one error of `check_grid`, which `quick_check` and `fit_grid` must have as well."""
    (found,) = [f for f in check_grid(grid, panel_size_px=size).findings if f.severity == "error"]
    assert [f for f in quick_check(grid, panel_size_px=size).findings if f.severity == "error"] == [found]
    with pytest.raises(GridError) as caught:
        fit_grid(grid, panel_size_px=size)
    assert found.text in str(caught.value) and found.mend in str(caught.value)
    return found


def only_inner(grid):
    return grid.select(channel="inner")


def test_a_clean_grid_passes(clean):
    assert quick_check(clean, panel_size_px=WIDE).findings == ()


@pytest.mark.parametrize("points", [4, 7])
def test_a_slip_in_one_channels_colour(points):
    grid = make_grid(points=points, pupils=pupil_lattice(3), channels=two_channels(size_px=WIDE))
    slip = (grid.channel == 1) & (grid.colour == grid.colour_names.index("G"))
    spoilt = replace(grid, colour_names=(*grid.colour_names, "g"), colour=np.where(slip, 3, grid.colour))
    found = both_say(spoilt)
    assert (found.kind, found.channel) == ("color", "outer")
    assert "'g'" in found.mend and "'G'" in found.mend
    assert found.rows == tuple(grid.row[slip][:1000])


def test_a_colour_that_one_channel_lacks(clean):
    found = both_say(clean.take((clean.channel == 0) | (clean.colour != 2)))
    assert (found.kind, found.channel, found.row_count) == ("color", "outer", 0)
    assert "no sample of colour 'B', which channel 'inner' has; it has R, G" in found.text


@pytest.mark.parametrize(
    ("size", "change", "kind", "words"),
    [
        ((256, 144), None, "range", "right panel size"),
        ((1440, 2560), None, "axis", "the other way round"),
        (WIDE, lambda p: p[:, ::-1], "axis", "swap panel_u_px and panel_v_px"),
        (WIDE, lambda p: p * 1000.0, "units", "in px?"),
        (WIDE, lambda p: p - [1280.0, 720.0], "range", "top-left corner"),
        (WIDE, lambda p: p * [1e-12, 1.0], "range", "panel points span"),
    ],
)
def test_a_wrong_panel_names_the_likely_cause(clean, size, change, kind, words):
    grid = only_inner(clean)
    grid = grid if change is None else replace(grid, pixel=change(grid.pixel))
    with pytest.raises(GridError, match="panel"):
        fit_grid(grid, panel_size_px=size)
    found = quick_check(grid, panel_size_px=size).of(kind, "error")
    assert found[0] in check_grid(grid, panel_size_px=size).of(kind, "error")
    assert words in found[0].text + found[0].mend


def test_one_percent_of_rows_off_the_panel_is_the_border(clean):
    grid = only_inner(clean)
    for share, severity in ((0.008, "warning"), (0.012, "error")):
        pixel = grid.pixel.copy()
        pixel[: int(share * len(pixel)), 0] = 2700.0
        (found,) = quick_check(replace(grid, pixel=pixel), panel_size_px=WIDE).of("range")
        assert (found.severity, found.row_count) == (severity, int(share * len(pixel)))


def test_the_quick_part_takes_a_tenth_of_a_fit_at_most():
    grid = make_grid(points=17, noise_px=0.05)
    seconds = []
    for work in (quick_check, fit_grid):
        start = time.perf_counter()
        work(grid, panel_size_px=(2560, 2560))
        seconds.append(time.perf_counter() - start)
    assert seconds[0] < 0.1 * seconds[1]


def test_image_vergence_is_that_along_the_ray():
    """Planes 1.5 m off along axes that are turned: the panel's middle is imaged 1.5 m away along the ray."""
    grid = make_grid(points=11, channels=two_channels(yaw_deg=25.0))
    figures = check_grid(grid).figures["image_vergence_dioptres"]
    # The channels' axes lie 10 and 40 degrees off: the distance along z would read 2 % and 31 % more.
    assert figures["outer/G"] == pytest.approx(1.0 / 1.5, rel=0.06)
    assert figures["inner/G"] == pytest.approx(1.0 / 1.5, rel=0.06)
