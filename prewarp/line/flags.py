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

A family from fits has more directions than units tell variances of, and most of what it knows of them is
noise's. There `inside` takes those that the data say more of than the prior, and the others stay in `outside`
with the variance of their prior. Thresholds are those that units left out were held to: variances are known
with as many degrees of freedom as energies of left-out units scatter (`family.Learned`).
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from prewarp.line.estimate import Estimate
from prewarp.line.family import Family

THRESHOLD = 1e-3
# Directions of c that data say less of than a thousandth of the prior's precision are left to the prior; of a
# family from fits, less than as much as the prior.
_DECIDED, _DECIDED_BY_FITS = 1e-3, 1.0


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
    learned = family.learned
    values = np.maximum(values, 0.0)
    decided = values > (_DECIDED if learned is None else _DECIDED_BY_FITS)
    squares = (vectors.T @ own_side) ** 2
    # Of directions that are not decided: what the data say is noise and prior together.
    left = float(np.sum(squares[~decided] / (1.0 + values[~decided])))
    squares, values = squares[decided], values[decided]
    outside = total - float(np.sum(squares / values)) - (0.0 if learned is None else left)
    inside = float(np.sum(squares / (values * (1.0 + values))))
    rank = int(decided.sum())
    freedom = smooth.count - rank
    noise_freedom = 2 * found.dots - smooth.count
    outside_noise = inside_noise = float(noise_freedom)
    if learned is not None:
        outside_noise = freedom_of_scatter(
            2.0 / freedom + (found.rest_share * learned.rest_scatter) ** 2, freedom, noise_freedom
        )
        inside_noise = min(inside_noise, learned.inside_freedom)
    figure, figure_p = _figure(found, family)
    return Flags(
        outside / freedom,
        _chance(outside / freedom, freedom, outside_noise, noise_freedom),
        inside / rank,
        _chance(inside / rank, rank, inside_noise, noise_freedom),
        figure,
        figure_p,
    )


def freedom_of_scatter(scatter: float, count: int, most: float, /) -> float:
    """Return degrees of freedom d of a denominator such that F of `count` and d has the variance over squared
    mean `scatter`, 2 (d + count - 2) / (count (d - 4)); `most` where it scatters less.
    """
    excess = count * scatter - 2.0
    return most if excess <= 0.0 else min(most, 4.0 + (2.0 * count + 4.0) / excess)


def _chance(ratio: float, count: int, freedom: float, noise_freedom: float) -> float:
    """Return the chance of more, by F; where variances come from units, with the mean that these gave it."""
    mean = freedom / (freedom - 2.0) if freedom < noise_freedom else 1.0
    return float(special.fdtrc(count, freedom, ratio * mean))


def _figure(found: Estimate, family: Family) -> tuple[str, float]:
    """Return the figure term of the largest score in words, and the chance of a larger one among all."""
    largest, text, count = 0.0, "", 0
    for name, score in found.figure.items():
        terms = family.channels[name].figure_terms
        curvature = np.maximum(score.curvature, 1e-12)
        # 1-sigma of the amount, in steps, and the amount over it.
        sigmas = np.sqrt(1.0 / curvature + [one.variance for one in terms])
        size = np.abs(score.slope) / curvature / sigmas
        count += len(size)
        if len(size) and size.max() > largest:
            place = int(size.argmax())
            largest, term = float(size[place]), terms[place]
            amount, sigma = (term.step_um * one for one in (largest * sigmas[place], sigmas[place]))
            text = f"channel '{name}', {term.label}: {amount:.2g} um, 1-sigma {sigma:.1g}"
    # Variances from units are known with as many degrees of freedom.
    tail = (
        special.ndtr(-largest)
        if family.learned is None
        else special.stdtr(family.learned.units - 1, -largest)
    )
    return text, 1.0 if count == 0 else min(1.0, count * 2.0 * float(tail))
