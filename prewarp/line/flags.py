"""Three flags of a unit that does not belong to its family, each at 0.1 %.

What is smooth in the views is z = B x + noise. x splits into coefficients c, and nuisances n (poses) that
keep their priors. Sums with n eliminated give F and b for c alone:
- outside: what no c explains, z'z / s^2 - n's part - b' F^+ b, chi-square of as many numbers as z has less
  the rank of F;
- inside: b' (F^+ - (F + 1)^-1) b = sum (u_i'b)^2 / (l_i (1 + l_i)), chi-square of the rank: how far the
  coefficients that the data decide lie from their prior.
Energy outside alone misses a wrong lens, which moves along the modes. s is the noise that neighbouring dots
do not share, known from finitely many: its own scatter widens the thresholds (F distribution).
- figure: energy spread over all numbers hides a ripple of one term of a surface's figure. Of every such term
  that has no tolerance the score is asked (slope of the likelihood over the root of its expected square,
  normal), everything else keeping its prior; the largest counts, by Bonferroni's bound for their number.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from prewarp.line.estimate import Estimate
from prewarp.line.family import Family

THRESHOLD = 1e-3
# Directions of c that data say less of than a thousandth of the prior's precision are left to the prior.
_DECIDED = 1e-3


@dataclass(frozen=True)
class Flags:
    """`outside_p`, `inside_p`: probability of more energy in a unit of the family; `outside`, `inside`:
    energy over what is expected. `figure_p`: of a larger score of any figure term; `figure`: the largest in
    words.
    """

    outside: float
    outside_p: float
    inside: float
    inside_p: float
    figure: str
    figure_p: float

    @property
    def fits(self) -> bool:
        """Whether no flag is raised."""
        return min(self.outside_p, self.inside_p, self.figure_p) >= THRESHOLD


def flags_of(found: Estimate, family: Family, /) -> Flags:
    """Return the flags of a unit of a family."""
    smooth = found.smooth
    named, others = slice(0, family.count), slice(family.count, None)
    spread = found.noise_px**2
    matrix, side = smooth.matrix / spread, smooth.side / spread
    nuisance = matrix[others, others] + np.eye(len(side) - family.count)
    factor = linalg.cho_factor(nuisance, lower=True, check_finite=False)
    cross = matrix[others, named]
    solved = linalg.cho_solve(factor, np.column_stack([cross, side[others]]), check_finite=False)
    own = matrix[named, named] - cross.T @ solved[:, :-1]
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
    figure, figure_p = _figure(found, family)
    return Flags(
        outside / freedom,
        float(special.fdtrc(freedom, noise_freedom, outside / freedom)),
        inside / rank,
        float(special.fdtrc(rank, noise_freedom, inside / rank)),
        figure,
        figure_p,
    )


def _figure(found: Estimate, family: Family) -> tuple[str, float]:
    """Return the figure term of the largest score in words, and the chance of a larger one among all."""
    largest, text, count = 0.0, "", 0
    for name, score in found.figure.items():
        root = np.sqrt(np.maximum(score.curvature, 1e-12))
        size = np.abs(score.slope) / root
        count += len(size)
        if len(size) and size.max() > largest:
            place = int(size.argmax())
            largest, term = float(size[place]), family.channels[name].figure_terms[place]
            amount, sigma = (term.sigma * one for one in (size[place] / root[place], 1.0 / root[place]))
            text = f"channel '{name}', {term.label}: {amount:.2g} um, 1-sigma {sigma:.1g}"
    return text, min(1.0, count * 2.0 * float(special.ndtr(-largest)))
