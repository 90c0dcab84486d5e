"""One look for all figures: colours that the colour-blind tell apart, plain fonts, the same bytes every time.

The plot library is imported when a figure is begun, never through pyplot: no window, no state shared between
figures.
"""

import io
from collections.abc import Iterator, Sized
from contextlib import contextmanager
from typing import TYPE_CHECKING

from prewarp.errors import ShapeError

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.typing import RcKeyType

# Okabe and Ito's colours (Color Universal Design, 2008), from memory: told apart with any common colour
# blindness.
BLUE, ORANGE, GREEN, RED, INK = (
    "#0072B2",
    "#E69F00",
    "#009E73",
    "#D55E00",
    "#202428",
)
CHANNEL_COLOURS = (BLUE, ORANGE, GREEN, RED)
DOTS_PER_INCH = 100

_SETTINGS: "dict[RcKeyType, object]" = {
    "font.family": "DejaVu Sans",
    "font.size": 11,
    "axes.titlesize": 12,
    "axes.edgecolor": INK,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#D8DCE0",
    "grid.linewidth": 0.6,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "prewarp",
}


@contextmanager
def figure(width_px: int, height_px: int, title: str, /, *, title_size: int = 14) -> Iterator["Figure"]:
    """Yield an empty figure of this size with a title, if any, and lay it out at the end."""
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(_SETTINGS):
        drawn = Figure(
            figsize=(width_px / DOTS_PER_INCH, height_px / DOTS_PER_INCH),
            dpi=DOTS_PER_INCH,
            layout="constrained",
        )
        if title:
            drawn.suptitle(title, fontsize=title_size, fontweight="bold")
        yield drawn
        # Ticks and their labels are made when first drawn. Besides, the layout finds room for axes of a fixed
        # aspect only when it runs again.
        drawn.draw_without_rendering()


def figure_bytes(drawn: "Figure", /) -> bytes:
    """Return the figure as PNG without the library's version in it: same figure, same bytes."""
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context(_SETTINGS):
        drawn.savefig(stream, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    return stream.getvalue()


def require_any(items: Sized, name: str, what: str, /) -> None:
    """Raise `ShapeError` where there is nothing to draw."""
    if not len(items):
        raise ShapeError(f"{name} is empty; expected one or more {what} to draw.")
