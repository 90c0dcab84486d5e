"""The coefficient block of the polynomial shader path: Chebyshev terms of three planes for one pupil.

32-bit floats. A device makes the same from `prewarp_prepare` whenever the pupil moves: per term k (tx, ty) of
red, green and blue, with the coefficients of a map's base added. Layout std140: vec4 red_green[terms], then
vec4 blue[terms].
"""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray
from prewarp.errors import PackageError
from prewarp.lookup import Family, Lookup, PreparedMap, prepare

KIND = "coefficient block"
# The smallest size of a uniform block that OpenGL ES 3.0 guarantees (GL_MAX_UNIFORM_BLOCK_SIZE), bytes.
LARGEST_BLOCK_BYTES = 16384
_TERM_BYTES = 32


@dataclass(frozen=True)
class PolynomialPlan:
    """Where the polynomial path of a channel is available its `degree`; else None and `why`."""

    degree: int | None
    why: str = ""


def polynomial_plan(lookup: Lookup | None, channel: str, planes: tuple[str, ...], /) -> PolynomialPlan:
    """Return whether a channel's tables are polynomials over the panel that fit into a uniform block."""
    if lookup is None:
        return PolynomialPlan(None, "no lookup is exported; it holds the polynomials")
    degree = 1
    for colour in dict.fromkeys(planes):
        place: int | None = lookup.map_index(channel, colour)
        while place is not None:
            table = lookup.maps[place]
            if table.family != Family.CHEBYSHEV:
                why = f"its lookup is a {table.family.label}, no polynomial over the panel"
                return PolynomialPlan(None, f"{why}; ask for --family chebyshev")
            degree = max(degree, table.columns - 1)
            place = table.base
    size = count_of_degree(degree) * _TERM_BYTES
    if size > LARGEST_BLOCK_BYTES:
        why = f"degree {degree} takes a uniform block of {size} bytes"
        return PolynomialPlan(None, f"{why}; OpenGL ES 3.0 guarantees {LARGEST_BLOCK_BYTES}")
    return PolynomialPlan(degree)


def coefficient_block(
    lookup: Lookup, channel: str, planes: tuple[str, str, str], degree: int, pupil_mm: FloatArray, /
) -> np.ndarray:
    """Return the block (2, terms, 4), float32, for a pupil position (3,), mm."""
    block = np.zeros((2, count_of_degree(degree), 4), dtype=np.float32)
    red, green, blue = (
        _summed(prepare(lookup, lookup.map_index(channel, colour), pupil_mm), degree) for colour in planes
    )
    block[0, :, :2], block[0, :, 2:], block[1, :, :2] = red.T, green.T, blue.T
    return block


def block_from_bytes(data: bytes, degree: int, /, *, where: str) -> np.ndarray:
    """Return a block (2, terms, 4) from its file.

    Raises
    ------
    PackageError
        Another size than the degree asks for.
    """
    count = count_of_degree(degree)
    if len(data) != count * _TERM_BYTES:
        raise PackageError(
            f"{where}: {len(data)} bytes; expected {count * _TERM_BYTES} for degree {degree}. Export again."
        )
    return np.frombuffer(data, dtype="<f4").reshape(2, count, 4)


def block_directions(block: np.ndarray, panel_size_px: tuple[int, int], pixel: FloatArray, /) -> FloatArray:
    """Return the directions (3, n, 2) of red, green and blue at panel points (n, 2), px."""
    degree = round((np.sqrt(8.0 * block.shape[1] + 1.0) - 3.0) / 2.0)
    place = 2.0 * pixel / np.asarray(panel_size_px, dtype=float) - 1.0
    terms = values_2d(place[:, 0], place[:, 1], degree)
    numbers = np.concatenate([block[0], block[1, :, :2]], axis=-1).astype(float)
    return np.moveaxis((terms.T @ numbers).reshape(-1, 3, 2), 1, 0)


def _summed(prepared: PreparedMap, degree: int) -> np.ndarray:
    total = np.zeros((2, count_of_degree(degree)), dtype=np.float32)
    part: PreparedMap | None = prepared
    while part is not None:
        total[:, : part.coefficients.shape[1]] += part.coefficients
        part = part.base
    return total
