"""The README's drawings: committed files are what the script draws, and they say what the house does."""

import numpy as np
import pytest

from demo_scenes.make_drawings import DRAWINGS, HERE, sharing_figure
from prewarp.render.pictures import read_picture
from prewarp.report.style import figure_bytes

# Fonts and outlines differ a little between releases of matplotlib; the share of pixels that may.
SHARE_OF_PIXELS = 0.02


@pytest.mark.parametrize("name", DRAWINGS)
def test_committed_drawings_are_what_the_script_draws(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(figure_bytes(DRAWINGS[name]()))
    kept, drawn = read_picture(HERE / name), read_picture(path)
    assert kept.shape == drawn.shape and kept.shape[1] == 880
    assert np.mean(np.abs(drawn.astype(int) - kept).max(axis=-1) > 16) < SHARE_OF_PIXELS


def test_shares_of_light_sum_to_one_and_meet_in_the_middle():
    inner, outer = sharing_figure().axes[1].get_lines()
    both = {line: dict(zip(*np.round(line.get_data(), 9), strict=True)) for line in (inner, outer)}
    shared = sorted(set(both[inner]) & set(both[outer]))
    assert shared[0] == pytest.approx(-5.0, abs=0.05) and shared[-1] == pytest.approx(5.0, abs=0.05)
    for x in shared:
        assert both[inner][x] + both[outer][x] == pytest.approx(100.0)
    assert both[inner][0.0] == pytest.approx(50.0)
