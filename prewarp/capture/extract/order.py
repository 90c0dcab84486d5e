"""What is wrong with code frames that spell nothing: one that does not belong, two exchanged, all moved
on.
"""

from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np

from prewarp.capture.codes import FRAMES
from prewarp.checks import BoolArray, FloatArray, IntArray

_AGREES = 0.85


def frame_agreement(light: FloatArray, expected: BoolArray) -> FloatArray:
    """Return the share of dots (13, 13) that observed frame f shows as the code of frame g has them.

    `light` (n, 13) of places in each code frame; `expected` (n, 13) of the dots that the map puts there.
    """
    # Half of the mean of the brightest: the weight of names lets at least five of six be right.
    bright = np.sort(light, axis=1)[:, -5:].mean(axis=1)
    seen = light > 0.5 * bright[:, None]
    same = seen.T.astype(float) @ expected + (~seen).T.astype(float) @ ~expected
    agreement: FloatArray = same / max(len(light), 1)
    return agreement


def wrong_frames(agreement: FloatArray, there: BoolArray) -> list[int]:
    """Return the frames that do not show their own code."""
    return [f for f in range(FRAMES) if there[f] and agreement[f, f] < _AGREES]


def shown_instead(agreement: FloatArray, frame: int) -> int | None:
    """Return the frame whose code a photograph shows, or None."""
    best = int(np.argmax(agreement[frame]))
    return best if agreement[frame, best] >= _AGREES else None


def other_orders() -> Iterator[tuple[IntArray, str]]:
    """Yield orders (13,) in which frames may have been taken, with words; {0} and {1} are file names."""
    for first, second in combinations(range(FRAMES), 2):
        order = np.arange(FRAMES)
        order[[first, second]] = second, first
        yield order, f"frames {first} and {second} exchanged"
    for moved in range(1, FRAMES):
        yield (
            np.roll(np.arange(FRAMES), moved),
            f"every frame {moved} places later (or {FRAMES - moved} earlier)",
        )
    yield np.arange(FRAMES)[::-1], "the frames in reverse order"


def likely_order(share_of: Callable[[IntArray], float], least: float) -> str:
    """Return in words the order of frames that makes names agree, or an empty text.

    `share_of` gives the share of agreeing names when observed frame f is taken for frame order[f].
    """
    found = [(share_of(order), words) for order, words in other_orders()]
    best = max(found, key=lambda one: one[0])
    return best[1] if best[0] >= least else ""
