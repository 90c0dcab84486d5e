"""Two flags of a unit that does not belong to its family, both chi-square at 0.1 %.

What is smooth in the views is z = B x + noise. x splits into named modes c, and nuisances n (terms left over,
poses) that keep their priors. Sums with n eliminated give F and b for c alone:
- outside: what no c explains, z'z / s^2 - n's part - b' F^+ b, chi-square of as many numbers as z has less
  the rank of F;
- inside: b' (F^+ - (F + 1)^-1) b = sum (u_i'b)^2 / (l_i (1 + l_i)), chi-square of the rank: how far the
  coefficients that the data decide lie from their prior.
Energy outside alone misses a wrong lens, which moves along the modes. s is the noise that neighbouring dots
do not share, known from finitely many: its own scatter widens the thresholds (F distribution).
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, stats

from prewarp.checks import IntArray
from prewarp.line.estimate import Estimate

THRESHOLD = 1e-3
# Directions of c that data say less of than a thousandth of the prior's precision are left to the prior.
_DECIDED = 1e-3


@dataclass(frozen=True)
class Flags:
    """`outside_p`, `inside_p`: probability of more energy in a unit of the family; `outside`, `inside`:
    energy over what is expected.
    """

    outside: float
    outside_p: float
    inside: float
    inside_p: float

    @property
    def fits(self) -> bool:
        """Whether neither flag is raised."""
        return self.outside_p >= THRESHOLD and self.inside_p >= THRESHOLD


def flags_of(found: Estimate, named: IntArray, rest_px: float, /) -> Flags:
    """Return the flags of a unit; `named` (k,) are the places of the named modes, `rest_px` what the family
    leaves over, RMS of the distance.
    """
    smooth = found.smooth
    others = np.setdiff1d(np.arange(len(smooth.side)), named)
    # What is left over is smooth: all its energy lies in the smooth part.
    spread = found.noise_px**2 + 0.5 * rest_px**2 * 2.0 * found.dots / max(smooth.count, 1)
    matrix, side = smooth.matrix / spread, smooth.side / spread
    nuisance = matrix[np.ix_(others, others)] + np.eye(len(others))
    factor = linalg.cho_factor(nuisance, lower=True, check_finite=False)
    cross = matrix[np.ix_(others, named)]
    solved = linalg.cho_solve(factor, np.column_stack([cross, side[others]]), check_finite=False)
    own = matrix[np.ix_(named, named)] - cross.T @ solved[:, :-1]
    own_side = side[named] - cross.T @ solved[:, -1]
    total = smooth.square / spread - float(side[others] @ solved[:, -1])
    values, vectors = np.linalg.eigh(own)
    decided = values > _DECIDED
    squares = (vectors[:, decided].T @ own_side) ** 2
    values = values[decided]
    outside = total - float(np.sum(squares / values))
    inside = float(np.sum(squares / (values * (1.0 + values))))
    rank = int(decided.sum())
    freedom = smooth.count - rank
    noise_freedom = 2 * found.dots - smooth.count
    return Flags(
        outside / freedom,
        float(stats.f.sf(outside / freedom, freedom, noise_freedom)),
        inside / rank,
        float(stats.f.sf(inside / rank, rank, noise_freedom)),
    )
