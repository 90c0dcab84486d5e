"""Contrast of text, against figures of the standard that asks for it."""

import pytest
from matplotlib.figure import Figure

from prewarp.report.style import CHANNEL_COLOURS, INK, PAPER, contrast, text_colour
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
