"""When a panel lights its lines: one after the other, each for a while.

A line is a row of the panel where it is lit downward or upward, a column where it is lit to the left or
right; directions are those of the panel's own u and v, whatever the optics make of them. Times are counted
from the frame's start, one moment that all panels of a display share. Design page section 8.4.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import ModuleError
from prewarp.records import Choice, Number, checked, validate

# Downward: towards larger v; to the right: towards larger u.
SCAN_DIRECTIONS = ("down", "up", "left", "right")
# A picture that takes longer than this is a wrong unit: 1 / 5 Hz.
LONGEST_PICTURE_MS = 200.0
US_PER_MS = MS_PER_S = 1000.0


@dataclass(frozen=True)
class PanelScan:
    """How a panel lights its lines.

    Parameters
    ----------
    direction : str
        Of `SCAN_DIRECTIONS`: which way lines are lit, in the panel's u and v.
    start_ms : float
        When the first line begins to give light, after the frame's start.
    line_us : float
        From the begin of one line to the begin of the next; 0 where all are lit at once.
    persistence_ms : float
        How long a line gives light.

    Raises
    ------
    ModuleError
        A setting is no number, or out of its range.
    """

    direction: str = checked(
        Choice(SCAN_DIRECTIONS), means="which way lines are lit, in the panel's own u and v"
    )
    start_ms: float = checked(
        Number(0.0, 100.0, "ms"), means="when the first line is lit, after the frame's start"
    )
    line_us: float = checked(
        Number(0.0, 10000.0, "us"), means="time from one line to the next; 0: all at once"
    )
    persistence_ms: float = checked(Number(0.001, 100.0, "ms"), means="how long a line gives light")

    def __post_init__(self) -> None:
        validate(self, ModuleError)

    @property
    def axis(self) -> int:
        """0 where lines are columns, along u; 1 where they are rows, along v."""
        return 0 if self.direction in ("left", "right") else 1

    def line_count(self, panel_size_px: tuple[int, int], /) -> int:
        """Return how many lines a panel of this width and height, px, has."""
        return panel_size_px[self.axis]

    def picture_ms(self, panel_size_px: tuple[int, int], /) -> float:
        """Return the time from the begin of the first line to the begin of one past the last, ms."""
        return self.line_us * self.line_count(panel_size_px) / US_PER_MS

    def middle_ms(self, panel_size_px: tuple[int, int], /) -> float:
        """Return when the panel's middle is lit, ms after the frame's start."""
        return float(self.lit_ms(np.array(panel_size_px) / 2.0, panel_size_px))

    def require_for(self, panel_size_px: tuple[int, int], /) -> None:
        """Raise `ModuleError` where a panel of this size would take absurdly long."""
        picture = self.picture_ms(panel_size_px)
        if picture > LONGEST_PICTURE_MS:
            raise ModuleError(
                f"scan.line_us is {self.line_us:g}: {self.line_count(panel_size_px)} lines take "
                f"{picture:.6g} ms; expected at most {LONGEST_PICTURE_MS:g} ms. Give the time from one line "
                "to the next in microseconds.",
                key="scan.line_us",
            )

    def lit_coefficients_ms(self, panel_size_px: tuple[int, int], /) -> tuple[float, float, float]:
        """Return (c, a, b) of `lit_ms` = c + a u + b v: ms, and ms per px."""
        middle, step = self.start_ms + self.persistence_ms / 2.0, self.line_us / US_PER_MS
        if self.direction in ("down", "right"):
            constant, slope = middle - step / 2.0, step
        else:
            constant, slope = middle + (self.line_count(panel_size_px) - 0.5) * step, -step
        return (constant, slope, 0.0) if self.axis == 0 else (constant, 0.0, slope)

    def lit_s(self, panel_size_px: tuple[int, int], /) -> tuple[float, float, float]:
        """Return (c, a, b) of the time c + a u + b v, as devices take it: s, and s per px."""
        constant, along_u, along_v = self.lit_coefficients_ms(panel_size_px)
        return constant / MS_PER_S, along_u / MS_PER_S, along_v / MS_PER_S

    def lit_ms(self, pixel: FloatArray, panel_size_px: tuple[int, int], /) -> FloatArray:
        """Return when panel points are lit: the middle of the persistence of their line.

        Parameters
        ----------
        pixel : (..., 2) float array
            Panel points (u, v), px.
        panel_size_px : (int, int)
            Width and height, px.

        Returns
        -------
        (...) float array
            ms after the frame's start; NaN where a panel point is.

        Notes
        -----
        Line k, counted from 0 in the order in which lines are lit, is lit at start + k line_us +
        persistence / 2, and its middle lies k + 1/2 px from the side that is lit first. A point between two
        middles shows light of both lines, in shares that fall linearly, and so does the mean time.
        """
        constant, along_u, along_v = self.lit_coefficients_ms(panel_size_px)
        pixel = np.asarray(pixel, dtype=float)
        return np.asarray(constant + along_u * pixel[..., 0] + along_v * pixel[..., 1])


def scan_table(channel: str, /) -> str:
    """Return the name of the table of a module file that declares a channel's scan."""
    return f"[channel.{channel}.panel.scan]"
