"""What the searches share: the problem of one channel, where and how tables are tried, and what they cost."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev

from prewarp.checks import BoolArray, FloatArray
from prewarp.lookup.layout import BLOCK, BLOCK_ALIGNMENT, MAP, aligned
from prewarp.lookup.measure import SEAM_RMS_SHARE, SEAM_SHARE, heeded, inside_border
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import MapTable
from prewarp.points import box_lattice

Tables = tuple[MapTable, ...]

PANEL_PROBES = 31
BISECTIONS = 10
# Smallest step that is tried, px; the largest is this many times the limit.
LEAST_STEP_PX, LARGEST_STEP = 1e-4, 4.0


@dataclass(frozen=True)
class ChannelProblem:
    """One channel to compress: its place, panel size, the places of its colours and the series of each.

    The first series is the base. `border_px` (k, 2): where samples held the base's map; None: everywhere.
    `shared`: tells which directions (..., 2) the channel shares with others, where less error is allowed;
    None: none.
    """

    channel: int
    panel_size_px: tuple[int, int]
    colours: tuple[int, ...]
    series: tuple[FieldSeries, ...]
    border_px: FloatArray | None = None
    shared: Callable[[FloatArray], BoolArray] | None = None

    @property
    def parts(self) -> tuple[FieldSeries, ...]:
        """The base's series, then the differences from it."""
        return (self.series[0], *(one.minus(self.series[0]) for one in self.series[1:]))

    def px_per_tangent(self, s: FloatArray, t: FloatArray) -> FloatArray:
        """Return what errors are weighed with (len(t), len(s), 2, 2): px per tangent, pupil in the middle."""
        size = np.array(self.panel_size_px, dtype=float)
        pixel = 0.5 * size * (np.stack(np.meshgrid(s, t), axis=-1) + 1.0)
        panel = self.series[0].at_pupil(np.zeros((1, 3)))[0]
        slopes = [
            np.moveaxis(
                chebyshev.chebgrid2d(t, s, np.swapaxes(chebyshev.chebder(panel, axis=axis), 0, 1)), 0, -1
            )
            for axis in range(2)
        ]
        scale: FloatArray = np.asarray(np.linalg.inv(np.stack(slopes, axis=-1) * (2.0 / size)), dtype=float)
        return heeded(scale, inside_border(self.border_px, pixel))

    def mesh_shape(self, columns: int) -> tuple[int, int]:
        """Return columns and rows of a mesh whose cells are as square as can be."""
        width, height = self.panel_size_px
        return columns, max(4, round((columns - 1) * height / width) + 1)

    def placed(self, tables: Iterable[MapTable | None]) -> Tables | None:
        """Return the tables of all parts at their places in a lookup; None where one is missing."""
        made: list[MapTable] = []
        for table, colour in zip(tables, self.colours, strict=True):
            if table is None:
                return None
            made.append(replace(table, channel=self.channel, colour=colour, base=0 if made else None))
        return tuple(made)


@lru_cache(maxsize=4)
def probe_pupils() -> FloatArray:
    """Return unit pupil positions (n, 3) at which tables are tried: corners, faces, middle, some between."""
    corners = box_lattice(-np.ones(3), np.ones(3), (3, 3, 3))
    between = np.random.default_rng(7).uniform(-1.0, 1.0, (14, 3))
    return np.concatenate([corners, between])


class Probe:
    """Where tables are tried: panel positions, and px per tangent there (pupil at the middle).

    Inside the seam, as any of the pupils sees it, a px counts as more (`measure.SEAM_SHARE`).
    """

    def __init__(self, problem: ChannelProblem, s: FloatArray, t: FloatArray) -> None:
        self.s, self.t = s, t
        plain = problem.px_per_tangent(s, t)
        self.typical_px = float(np.median(np.linalg.norm(plain, axis=(-2, -1))) / np.sqrt(2.0))
        self.shared: BoolArray = np.zeros((len(t), len(s)), dtype=bool)
        if problem.shared is not None:
            self.shared = np.asarray(problem.shared(problem.series[0].at(s, t, probe_pupils())).any(axis=0))
        self.px_per_tangent = plain / np.where(self.shared, SEAM_SHARE, 1.0)[..., None, None]

    def px(self, misses: FloatArray) -> FloatArray:
        """Return what tangents (pupils, t, s, 2) are worth, px."""
        return np.asarray(np.einsum("tsab,ntsb->ntsa", self.px_per_tangent, misses))

    def largest(self, misses: list[FloatArray]) -> float:
        """Return the largest error, px, of what every map misses, tangents (pupils, t, s, 2).

        The RMS inside the seam counts as `measure.SEAM_RMS_SHARE` says.
        """
        every = [np.linalg.norm(self.px(one), axis=-1) for one in misses]
        largest = max(float(one.max()) for one in every)
        if not self.shared.any():
            return largest
        rms = SEAM_SHARE * max(float(np.sqrt(np.mean(one[:, self.shared] ** 2))) for one in every)
        return max(largest, rms / SEAM_RMS_SHARE)

    def error(self, differences: list[FloatArray]) -> float:
        """Return the largest error, px, of tangent differences (pupils, t, s, 2) per part, the base first."""
        base, *others = differences
        return self.largest([base, *(base + one for one in others)])


def largest_step(
    build: Callable[[float], Tables | None], error: Callable[[Tables], float], limit_px: float, /
) -> tuple[Tables | None, float]:
    """Return the tables of the largest step whose error is within the limit, and the smallest error met, px.

    The first is None where no step's error is within it. `build` gets steps in px.
    """
    best, closest = None, np.inf
    low, high = np.log(LEAST_STEP_PX), np.log(LARGEST_STEP * limit_px)
    for turn in range(BISECTIONS + 1):
        middle = low if turn == BISECTIONS and best is None else 0.5 * (low + high)
        tables = build(float(np.exp(middle)))
        reached = np.inf if tables is None else error(tables)
        closest = min(closest, reached)
        if tables is None:
            low = middle
        elif reached <= limit_px:
            best, low = tables, middle
        else:
            high = middle
    return best, closest


def smallest(tried: list[tuple[Tables | None, float]], /) -> tuple[Tables | None, float]:
    """Return the tables of the fewest bytes, None where there are none, and the smallest error met."""
    found = (tables for tables, _ in tried if tables is not None)
    return min(found, key=tables_bytes, default=None), min((error for _, error in tried), default=np.inf)


def tables_bytes(tables: Tables, /) -> int:
    """Return the bytes of tables with the records that a blob keeps of them."""
    return sum(
        MAP.byte_count
        + sum(BLOCK.byte_count + aligned(block.byte_count, BLOCK_ALIGNMENT) for block in table.blocks)
        for table in tables
    )
