"""One look for all figures: colours that the colour-blind tell apart, plain fonts, the same bytes every time.

The plot library is imported when a figure is begun, never through pyplot: no window, no state shared between
figures.
"""

import io
from collections.abc import Iterator, Sized
from contextlib import contextmanager
from typing import TYPE_CHECKING

from PIL import Image

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
PAPER = "#FFFFFF"
# WCAG 2.2, success criterion 1.4.3: text against what is behind it.
LEAST_CONTRAST = 4.5
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


def contrast(one: str, other: str, /) -> float:
    """Return the contrast ratio of two colours "#RRGGBB", 1 to 21 (WCAG 2.2, relative luminance)."""
    dark, light = sorted(_luminance(_linear(colour)) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def text_colour(colour: str, /) -> str:
    """Return a colour "#RRGGBB", or a darker one of its hue that reads as text on white."""
    linear, luminance = _linear(colour), _luminance(_linear(colour))
    # A little below the limit: codes are whole numbers.
    most = 0.98 * (1.05 / LEAST_CONTRAST - 0.05)
    return f"#{''.join(f'{_code(value * min(1.0, most / max(luminance, 1e-9))):02X}' for value in linear)}"


def _linear(colour: str) -> list[float]:
    codes = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    return [code / 12.92 if code <= 0.04045 else ((code + 0.055) / 1.055) ** 2.4 for code in codes]


def _luminance(linear: list[float]) -> float:
    red, green, blue = linear
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _code(value: float) -> int:
    encoded = 12.92 * value if value <= 0.0031308 else 1.055 * value ** (1.0 / 2.4) - 0.055
    return round(255.0 * encoded)


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


def in_palette(png: bytes, /) -> bytes:
    """Return a picture in 256 colours of its own, a third of the bytes: same picture, same bytes.

    Median cut, whose palette is then moved once to the means of what takes it (k-means): gradients keep the
    steps of their colour map, text and lines their colours. One pixel in a thousand of the report's figures
    is off by more than 18 of 255: blends of two colours at an edge. Maximum coverage draws bands.
    """
    stream = io.BytesIO()
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    few = picture.quantize(256, method=Image.Quantize.MEDIANCUT, kmeans=1, dither=Image.Dither.NONE)
    few.save(stream, format="PNG", optimize=True)
    return stream.getvalue()


def require_any(items: Sized, name: str, what: str, /) -> None:
    """Raise `ShapeError` where there is nothing to draw."""
    if not len(items):
        raise ShapeError(f"{name} is empty; expected one or more {what} to draw.")
