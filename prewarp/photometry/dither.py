"""Ordered dither: light is rounded to codes so that areas keep their mean where one code would band.

A pixel whose light lies the share s of the way from one code's light to the next takes the upper code where s
exceeds the tile's threshold there. The share is taken in linear light, not in codes, so the mean light of an
area is kept exactly.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray, nearest_name
from prewarp.encoding import TransferFunction, largest_code
from prewarp.errors import ShapeError

KINDS = ("none", "bayer", "blue")
# As many as 8 bits hold: a mean is right to 1/256 of the step between two codes.
THRESHOLDS = 256
BAYER_SIZE = 16
BLUE_SIZE = 64
# Red, green and blue read the tile from different places, so that their patterns do not fall together:
# columns, rows.
PLANE_SHIFTS = ((0, 0), (21, 43), (43, 21))
# Spread of the void-and-cluster filter, px; R. Ulichney, Proc. SPIE 1913 (1993) 332, uses 1.5 (from memory).
_SIGMA_PX = 1.5


@lru_cache(maxsize=4)
def dither_tile(kind: str, /) -> NDArray[np.float32]:
    """Return a square tile of `THRESHOLDS` thresholds, evenly spread in (0, 1), each as often; read only.

    `bayer`: B. E. Bayer, Proc. IEEE ICC (1973) 26-11; a fixed, regular pattern. `blue`: blue noise by
    void-and-cluster, no visible pattern. Both tile without a seam.
    """
    if kind not in KINDS or kind == "none":
        raise ShapeError(f"dither is {kind!r}; expected bayer or blue.{nearest_name(str(kind), KINDS)}")
    rank = _bayer_ranks(BAYER_SIZE) if kind == "bayer" else _blue_ranks(BLUE_SIZE)
    level = np.floor(rank * (THRESHOLDS / rank.size))
    tile = ((level + 0.5) / THRESHOLDS).astype(np.float32)
    tile.setflags(write=False)
    return tile


def plane_tiles(tile: NDArray[np.float32], /) -> NDArray[np.uint8]:
    """Return thresholds (k + 0.5) / 256 of red, green and blue as a shader reads them: k, (n, n, 4)."""
    places = np.floor(tile * THRESHOLDS).astype(np.uint8)
    planes = [np.roll(places, (-down, -across), axis=(0, 1)) for across, down in PLANE_SHIFTS]
    return np.stack([*planes, np.full_like(places, 255)], axis=-1)


@dataclass(frozen=True, eq=False)
class Ditherer:
    """Turns light into codes of a panel, dithered.

    Parameters
    ----------
    transfer : TransferFunction
        What the codes mean in light.
    bit_depth : int
        Bits per code.
    tile : (n, n) float32 array
        Thresholds from `dither_tile`; thresholds of the panel's first pixel, column and row, are the tile's.
    """

    transfer: TransferFunction
    bit_depth: int
    tile: NDArray[np.float32]

    @cached_property
    def _levels(self) -> NDArray[np.float32]:
        return self.transfer.linear_of_codes(self.bit_depth).astype(np.float32)

    def codes(
        self, linear: NDArray[np.floating], /, *, first_row: int = 0, plane: int = 0
    ) -> NDArray[np.unsignedinteger]:
        """Return codes (rows, width) for relative light (rows, width) of panel rows from `first_row` on."""
        light = np.clip(linear, 0.0, 1.0, dtype=np.float32)
        largest = largest_code(self.bit_depth)
        code = np.searchsorted(self._levels, light, side="right") - 1
        # Light below the lowest code's shows as the lowest.
        code = np.clip(code, 0, largest)
        low = self._levels.take(code)
        high = self._levels.take(np.minimum(code + 1, largest))
        step = high - low
        share = np.where(step > 0.0, (light - low) / np.where(step > 0.0, step, 1.0), 0.0)
        code += share > self._thresholds(light.shape, first_row, plane)
        return np.asarray(code, dtype=np.uint8 if self.bit_depth <= 8 else np.uint16)

    def _thresholds(self, shape: tuple[int, int], first_row: int, plane: int) -> NDArray[np.float32]:
        size = len(self.tile)
        across, down = PLANE_SHIFTS[plane]
        rows = (np.arange(shape[0]) + first_row + down) % size
        columns = (np.arange(shape[1]) + across) % size
        return self.tile[np.ix_(rows, columns)]


def _bayer_ranks(size: int) -> FloatArray:
    rank = np.zeros((1, 1))
    while len(rank) < size:
        rank = np.block([[4 * rank, 4 * rank + 2], [4 * rank + 3, 4 * rank + 1]])
    return rank


def _blue_ranks(size: int) -> FloatArray:
    """Return ranks by void-and-cluster: every point goes into the largest void left, on a torus."""
    distance = np.minimum(np.arange(size), size - np.arange(size))
    bump = np.exp(-(distance[:, None] ** 2 + distance[None, :] ** 2) / (2.0 * _SIGMA_PX**2))
    twice = np.tile(bump, (2, 2))

    def bump_at(place: int) -> FloatArray:
        row, column = divmod(place, size)
        return twice[size - row : 2 * size - row, size - column : 2 * size - column]

    count = size * size
    chosen = np.zeros(count, dtype=bool)
    chosen[np.random.default_rng(7).permutation(count)[: count // 10]] = True
    density = np.zeros((size, size))
    for place in np.flatnonzero(chosen).tolist():
        density += bump_at(place)

    def tightest(of: np.ndarray) -> int:
        return int(np.argmax(np.where(of, density.ravel(), -np.inf)))

    def largest_void(of: np.ndarray) -> int:
        return int(np.argmin(np.where(of, np.inf, density.ravel())))

    # Move points from clusters to voids until the start pattern is even.
    for _ in range(count):
        cluster = tightest(chosen)
        chosen[cluster] = False
        density -= bump_at(cluster)
        void = largest_void(chosen)
        chosen[void] = True
        density += bump_at(void)
        if void == cluster:
            break
    start, start_density, rank = chosen.copy(), density.copy(), np.empty(count)
    for place in range(int(start.sum()) - 1, -1, -1):
        cluster = tightest(chosen)
        chosen[cluster] = False
        density -= bump_at(cluster)
        rank[cluster] = place
    chosen, density = start, start_density
    # Past half full, taking the largest void of the points is the same as the tightest cluster of the holes.
    for place in range(int(start.sum()), count):
        void = largest_void(chosen)
        chosen[void] = True
        density += bump_at(void)
        rank[void] = place
    return rank.reshape(size, size)
