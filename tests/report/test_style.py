"""Contrast of text, against figures of the standard that asks for it."""

import io

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from prewarp.report.style import (
    CHANNEL_COLOURS,
    INK,
    PAPER,
    contrast,
    figure_bytes,
    in_palette,
    text_colour,
)
from tests.report.conftest import faint_texts


@pytest.mark.outside
@pytest.mark.parametrize(
    ("colour", "ratio"),
    # Against white, from memory of tables of WCAG contrast: #767676 is the lightest grey that passes.
    [("#000000", 21.0), ("#FFFFFF", 1.0), ("#767676", 4.54), ("#777777", 4.48), ("#FF0000", 4.0)],
)
def test_contrast_is_that_of_the_standard(colour, ratio):
    assert contrast(colour, PAPER) == contrast(PAPER, colour) == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize("colour", CHANNEL_COLOURS)
def test_text_has_the_hue_and_can_be_read(colour):
    readable = text_colour(colour)
    assert contrast(readable, PAPER) >= 4.5
    dark, light = ([int(one[place : place + 2], 16) for place in (1, 3, 5)] for one in (readable, colour))
    assert sorted(range(3), key=dark.__getitem__) == sorted(range(3), key=light.__getitem__)
    assert text_colour(INK) == INK


def test_the_look_at_every_figure_finds_faint_text():
    figure = Figure()
    figure.text(0.5, 0.5, "faint", color=CHANNEL_COLOURS[1])
    figure.text(0.5, 0.1, "white", color="white")
    figure.text(0.5, 0.7, "plate", color="white", bbox={"facecolor": INK})
    assert [text for text, _ in faint_texts(figure)] == ["faint", "white"]


def test_a_picture_in_256_colours_looks_the_same_and_takes_half_the_bytes():
    figure = Figure(figsize=(6.0, 4.0))
    axes = figure.subplots()
    x, y = np.meshgrid(np.linspace(0.0, 3.0, 200), np.linspace(0.0, 3.0, 150))
    axes.pcolormesh(x, y, np.sin(x) * np.cos(y * x), cmap="cividis", shading="gouraud")
    axes.plot([0.0, 3.0], [0.0, 3.0], color=CHANNEL_COLOURS[3])
    whole = figure_bytes(figure)
    few = in_palette(whole)
    assert len(few) < 0.5 * len(whole) and few == in_palette(whole)
    one, other = (
        np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int) for data in (whole, few)
    )
    off = np.abs(one - other).max(axis=-1)
    assert one.shape == other.shape and np.percentile(off, 99.9) <= 20.0 and off.mean() <= 1.0
    # Paper stays paper.
    assert np.abs(other[:3] - 255).max() == 0
