"""How many pupil positions a field needs for a wanted error: from how fast its terms fall with their degree.

n x n positions show every pupil function up to degree n - 1. What lies above is left over, and about as much
again is mixed into lower functions: a cubic term looks like a linear one at three positions. Ties that no
data can test are not counted on.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.chebyshev import exponents_of_degree
from prewarp.checks import FloatArray
from prewarp.field.border import inside_convex
from prewarp.field.captured import Captured
from prewarp.field.field import Field

POINTS = 600
# Terms above a degree are mixed into those below about one to one, and both count.
MIXED = 2.0
MOST_NODES = 12
# Terms are not believed to fall more slowly than this per degree.
SLOWEST = 0.9


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
            f"for {self.wanted_px:g} px this field needs {self.nodes} x {self.nodes} pupil positions over "
            f"what was captured{besides}"
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


def pupils_needed(field: Field, captured: Captured, /, *, wanted_px: float) -> PupilsNeeded:
    """Return how many pupil positions each way a field needs for an error of `wanted_px`, RMS.

    Not known from a capture that does not show every motion, or of fewer than three positions each way: how
    fast terms fall needs two degrees.
    """
    terms = term_sizes_px(field)
    if not captured.shows_motion or len(terms) < 3:
        why = "three or more pupil positions each way"
        return PupilsNeeded(wanted_px, None, None, None, tuple(terms.tolist()), why)
    left = _left_px(terms)
    # Two positions each way are the fewest that show every motion.
    enough = np.flatnonzero(left[2:] <= wanted_px)
    if len(enough) == 0:
        why = f"more than {MOST_NODES} each way: the terms hardly fall; look for an edge in the eye box"
        return PupilsNeeded(wanted_px, None, None, None, tuple(terms.tolist()), why)
    nodes = int(enough[0]) + 2
    fewer = float(left[nodes - 1]) if nodes > 2 else None
    return PupilsNeeded(wanted_px, nodes, float(left[nodes]), fewer, tuple(terms.tolist()))


def term_sizes_px(field: Field, /) -> FloatArray:
    """Return the RMS size of the terms of each pupil degree, (degree + 1,), px of the panel."""
    expansion, frame = field.expansion, field.expansion.frame
    random = np.random.default_rng(0)
    pixel = random.uniform(0.0, 1.0, (POINTS, 2)) * field.panel_size_px
    pixel = pixel[inside_convex(pixel, field.border_pixel, slack=0.0)]
    reference = np.array(frame.centre_mm) + random.uniform(-1.0, 1.0, (len(pixel), 2)) * frame.half_mm
    inner = expansion.panel.sums(pixel, expansion.coefficients)
    pupil = frame.values(reference, expansion.pupil_degree)
    order = exponents_of_degree(expansion.pupil_degree).sum(axis=1)
    _, slope = expansion.values_and_jacobian(pixel, reference)
    to_panel = np.linalg.inv(np.moveaxis(slope, -1, 0))
    sizes = []
    for degree in range(expansion.pupil_degree + 1):
        part = np.einsum("cjn,jn->nc", inner[:, order == degree], pupil[order == degree])
        moved = np.einsum("nij,nj->ni", to_panel, part)
        sizes.append(float(np.sqrt(np.mean(np.sum(moved * moved, axis=1)))))
    return np.array(sizes)


def _left_px(terms: FloatArray) -> FloatArray:
    """Return what n positions each way leave, (MOST_NODES + 1,), px: twice the terms of degree n and above.

    Beyond the highest degree fitted terms fall as they fell over the last two degrees.
    """
    last, before = terms[-1], terms[-2]
    fall = last / before if len(terms) == 3 else np.sqrt(last / max(terms[-3], 1e-300))
    fall = float(min(fall, SLOWEST))
    first = max(last, before * fall)
    beyond = first * fall ** np.arange(1, 4 * MOST_NODES)
    sizes = np.concatenate([terms, beyond])
    above = np.sqrt(np.cumsum(sizes[::-1] ** 2)[::-1])
    result: FloatArray = MIXED * above[: MOST_NODES + 1]
    return result
