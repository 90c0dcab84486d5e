"""How many pupil positions a field needs for a wanted error: from how fast its terms fall with their degree.

n x n positions show every pupil function up to degree n - 1. What lies above is left over, and about as much
again is mixed into lower functions: a cubic term looks like a linear one at three positions. Ties that no
data can test are not counted on.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import FloatArray

# The error asked about where none is named, px.
WANTED_PX = 0.1
# Terms above a degree are mixed into those below about one to one, and both count.
MIXED = 2.0
MOST_NODES = 12
# Terms are not believed to fall more slowly than this per degree.
SLOWEST = 0.9
# How fast terms fall needs two degrees of them besides what does not move.
FEWEST_TERMS = 3


@dataclass(frozen=True)
class PupilsNeeded:
    """Pupil positions each way for a wanted error.

    `wanted_px`; `nodes` positions each way, None where not known; `left_px` what so many leave by estimate,
    `fewer_px` what one less each way leaves; `terms_px` RMS size of the terms of each pupil degree, from 0.
    `why`: why it is not known.
    """

    wanted_px: float
    nodes: int | None
    left_px: float | None
    fewer_px: float | None
    terms_px: tuple[float, ...]
    why: str = ""

    def text(self) -> str:
        """Return this in one sentence."""
        if self.nodes is None:
            return f"pupil positions for {self.wanted_px:g} px: not known: needs {self.why}"
        fewer = self.nodes - 1
        besides = "" if self.fewer_px is None else f" ({fewer} x {fewer} leave up to {self.fewer_px:.2g} px)"
        return (
            f"for {self.wanted_px:g} px this field needs {self.nodes} x {self.nodes} pupil "
            f"positions over the captured range{besides}"
        )

    def as_dict(self) -> dict[str, Any]:
        """Return this for machines; units are in the keys."""
        return {
            "wanted_px": self.wanted_px,
            "positions_each_way": self.nodes,
            "left_px": self.left_px,
            "one_less_leaves_px": self.fewer_px,
            "terms_by_pupil_degree_px": list(self.terms_px),
        }


def positions_for(
    terms_px: Sequence[float] | FloatArray, /, *, wanted_px: float, shows_motion: bool
) -> PupilsNeeded:
    """Return how many pupil positions each way leave an error of `wanted_px`, RMS.

    Parameters
    ----------
    terms_px : (degrees,) sequence of float
        RMS size of the terms of each pupil degree, from 0, px of the panel.
    wanted_px : float
        Error, px.
    shows_motion : bool
        Whether the capture shows every motion of the pupil. If not, or with less than three positions each
        way, the answer is not known.
    """
    terms = np.asarray(terms_px, dtype=np.float64)

    def not_known(why: str) -> PupilsNeeded:
        return PupilsNeeded(wanted_px, None, None, None, tuple(terms.tolist()), why)

    if not shows_motion or len(terms) < FEWEST_TERMS:
        return not_known("three or more pupil positions each way")
    left = left_px(terms)
    # Two positions each way are the fewest that show every motion.
    enough = np.flatnonzero(left[2:] <= wanted_px)
    if len(enough) == 0:
        return not_known(
            f"more than {MOST_NODES} each way: the terms hardly fall off; look for an edge in the eye box"
        )
    nodes = int(enough[0]) + 2
    fewer = float(left[nodes - 1]) if nodes > 2 else None
    return PupilsNeeded(wanted_px, nodes, float(left[nodes]), fewer, tuple(terms.tolist()))


def left_px(terms: FloatArray, /) -> FloatArray:
    """Return what n positions each way leave, (MOST_NODES + 1,), px: twice the terms of degree n and above.

    `terms` (degrees,), px, three at least; beyond their highest degree they are continued.
    """
    sizes = np.concatenate([terms, _continued(terms, 4 * MOST_NODES)])
    above = np.sqrt(np.cumsum(sizes[::-1] ** 2)[::-1])
    result: FloatArray = MIXED * above[: MOST_NODES + 1]
    return result


def _continued(terms: FloatArray, count: int) -> FloatArray:
    """Return the next `count` terms: as large as if they fell as they did over the last two degrees.

    Nearly aligned optics have small terms of every other degree, which hides how fast the large ones fall:
    where two of a kind are known, a term is no larger than if it fell as its own kind did.
    """
    last, before = terms[-1], terms[-2]
    fall = last / before if len(terms) == FEWEST_TERMS else np.sqrt(last / max(terms[-3], 1e-300))
    fall = float(min(fall, SLOWEST))
    beyond = max(last, before * fall) * fall ** np.arange(1, count + 1)
    # Degree 0 does not move with the pupil and tells nothing.
    for kind in (0, 1) if len(terms) >= 5 else ():
        newest, older = terms[-2 + kind], terms[-4 + kind]
        own_fall = min(newest / max(older, 1e-300), SLOWEST**2)
        beyond[kind::2] = np.minimum(
            beyond[kind::2], newest * own_fall ** np.arange(1, len(beyond[kind::2]) + 1)
        )
    result: FloatArray = beyond
    return result
