"""What the searches share: the problem of one channel, a candidate, where and how candidates are tried."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev

from prewarp.checks import FloatArray
from prewarp.lookup.measure import heeded, inside_border, px_error
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import Family, MapTable
from prewarp.points import box_lattice

# Bytes of records per map and per block, as the blob holds them.
MAP_RECORD, BLOCK_RECORD = 64, 16
PANEL_PROBES = 31
BISECTIONS = 10


@dataclass(frozen=True)
class Candidate:
    """Tables of one channel: `byte_count` with records; `error_px` as searched, not yet as measured; `settings` for people."""

    family: Family
    tables: tuple[MapTable, ...]
    byte_count: int
    error_px: float
    settings: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class ChannelProblem:
    """One channel to compress: its place, panel size, the places of its colours and the series of each (first is the base).

    `border_px` (k, 2): where samples held the base's map; None: everywhere.
    """

    channel: int
    panel_size_px: tuple[int, int]
    colours: tuple[int, ...]
    series: tuple[FieldSeries, ...]
    border_px: FloatArray | None = None

    @property
    def parts(self) -> tuple[FieldSeries, ...]:
        """The base's series, then the differences from it."""
        return (self.series[0], *(one.minus(self.series[0]) for one in self.series[1:]))

    def px_per_tangent(self, s: FloatArray, t: FloatArray) -> FloatArray:
        """Return what errors are weighed with (len(t), len(s), 2, 2), panel px per tangent, pupil at the middle of the box."""
        size = np.array(self.panel_size_px, dtype=float)
        pixel = 0.5 * size * (np.stack(np.meshgrid(s, t), axis=-1) + 1.0)
        scale = _series_px_per_tangent(self.series[0], s, t, self.panel_size_px)
        return heeded(scale, inside_border(self.border_px, pixel))

    def mesh_shape(self, columns: int) -> tuple[int, int]:
        """Return columns and rows of a mesh whose cells are as square as can be."""
        width, height = self.panel_size_px
        return columns, max(4, round((columns - 1) * height / width) + 1)


@lru_cache(maxsize=4)
def probe_pupils() -> FloatArray:
    """Return unit pupil positions (n, 3) at which candidates are tried: corners, faces, middle, and some between."""
    corners = box_lattice(-np.ones(3), np.ones(3), (3, 3, 3))
    between = np.random.default_rng(7).uniform(-1.0, 1.0, (14, 3))
    return np.concatenate([corners, between])


class Probe:
    """Where candidates are tried: panel positions, px per tangent there (pupil at the middle), and truth on demand."""

    def __init__(self, problem: ChannelProblem, s: FloatArray, t: FloatArray) -> None:
        self.s, self.t, self.problem = s, t, problem
        self.px_per_tangent = problem.px_per_tangent(s, t)

    def error(self, differences: list[FloatArray]) -> float:
        """Return the largest error, px, of tangent differences (pupils, t, s, 2) per part (base, then differences)."""
        base = differences[0]
        worst = float(px_error(base, self.px_per_tangent).max())
        for one in differences[1:]:
            worst = max(worst, float(px_error(base + one, self.px_per_tangent).max()))
        return worst


def _series_px_per_tangent(
    series: FieldSeries, s: FloatArray, t: FloatArray, size_px: tuple[int, int]
) -> FloatArray:
    """Return the inverse Jacobian (len(t), len(s), 2, 2), panel px per tangent, pupil at the middle of the box."""
    panel = series.at_pupil(np.zeros((1, 3)))[0]
    by_s = chebyshev.chebgrid2d(t, s, np.swapaxes(chebyshev.chebder(panel, axis=0), 0, 1))
    by_t = chebyshev.chebgrid2d(t, s, np.swapaxes(chebyshev.chebder(panel, axis=1), 0, 1))
    by_s, by_t = np.moveaxis(by_s, 0, -1), np.moveaxis(by_t, 0, -1)
    jacobian = np.stack([by_s * (2.0 / size_px[0]), by_t * (2.0 / size_px[1])], axis=-1)
    return np.linalg.inv(jacobian)


def largest_step(
    build: Callable[[float], tuple[MapTable, ...] | None],
    error: Callable[[tuple[MapTable, ...]], float],
    limit_px: float,
    *,
    low: float,
    high: float,
) -> tuple[tuple[MapTable, ...], float] | None:
    """Return the tables of the largest step, px, whose error is within the limit; None where no step is."""
    best = None
    low, high = np.log(low), np.log(high)
    for turn in range(BISECTIONS + 1):
        middle = low if turn == BISECTIONS and best is None else 0.5 * (low + high)
        tables = build(float(np.exp(middle)))
        reached = np.inf if tables is None else error(tables)
        if reached <= limit_px:
            best, low = (tables, reached), middle
        elif tables is None:
            low = middle
        else:
            high = middle
    return best


def tables_bytes(tables: tuple[MapTable, ...], /) -> int:
    """Return the bytes of tables with their records; blocks begin at multiples of four."""
    return sum(
        MAP_RECORD + sum(BLOCK_RECORD + (block.byte_count + 3) // 4 * 4 for block in table.blocks)
        for table in tables
    )
