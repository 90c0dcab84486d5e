"""Every figure that a test of this folder draws has text that can be read."""

import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.text import Text

from prewarp.report.style import LEAST_CONTRAST, PAPER, contrast


def faint_texts(figure):
    """Return (text, contrast) of what is too faint before its plate, or before white where it has none."""
    found = []
    for text in figure.findobj(Text):
        if not text.get_visible() or not text.get_text().strip():
            continue
        plate = text.get_bbox_patch()
        behind = PAPER if plate is None else to_hex(plate.get_facecolor())
        ratio = contrast(to_hex(text.get_color()), behind)
        if ratio < LEAST_CONTRAST:
            found.append((text.get_text(), round(ratio, 2)))
    return found


@pytest.fixture(autouse=True)
def readable(monkeypatch):
    """Look at the texts of every figure that a test lays out."""
    drawn, lay_out = [], Figure.draw_without_rendering

    def remembered(figure):
        drawn.append(figure)
        lay_out(figure)

    monkeypatch.setattr(Figure, "draw_without_rendering", remembered)
    yield
    assert [text for figure in drawn for text in faint_texts(figure)] == []
