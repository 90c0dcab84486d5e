"""Small robust least squares for checks: weights fall with the length of the residual vector."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray

# 95 % efficiency for normal noise (Holland and Welsch 1977; common practice).
_BISQUARE = 4.685
_HUBER = 1.345
_ROUNDS = 6
_MEDIAN_OF_LENGTH_2D = 1.17741  # median length of a 2-vector of unit normals, sqrt(2 ln 2)


@dataclass(frozen=True, eq=False)
class RobustFit:
    """`coefficient` (k, m), `residual` (n, m), `scale` of one component, `covariance` (k, k) per unit variance."""

    coefficient: FloatArray
    residual: FloatArray
    scale: float
    covariance: FloatArray


def robust_fit(
    design: FloatArray, values: FloatArray, *, tolerance: float = 0.0, reject: bool = True
) -> RobustFit:
    """Fit values (n, m) by design (n, k) so that a minority of wrong rows does not matter.

    Starts from least squares; a tiny ridge keeps rank-deficient designs solvable. Scale from the median residual
    length, taken for two components (m = 2) and, for other m, as the median over all components. Residuals that
    belong to a scale of `tolerance` lose little weight: what the design cannot follow is not a wrong row. `reject`
    takes bisquare weights, which drop wrong rows altogether; otherwise Huber weights, which only bound them and so
    cannot talk themselves into dropping good rows at the rim of a rich design.
    """
    previous = np.inf
    weight = np.ones(len(design))
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, None]
        weighted = design * root
        normal = weighted.T @ weighted
        normal[np.diag_indices_from(normal)] += 1e-12 * max(np.trace(normal) / len(normal), 1e-300)
        coefficient = np.linalg.solve(normal, weighted.T @ (values * root))
        residual = values - design @ coefficient
        length = np.sqrt((residual * residual).mean(axis=1) * 2.0)
        scale = float(np.median(length)) / _MEDIAN_OF_LENGTH_2D
        # Rounding sets a floor, or exact data would throw good rows out.
        scale = max(scale, 1e-13 * float(np.abs(values).max(initial=1e-300)))
        if abs(previous - scale) < 0.01 * scale:
            break
        previous = scale
        ratio = length / ((_BISQUARE if reject else _HUBER) * max(scale, tolerance) * np.sqrt(2.0))
        if reject:
            weight = np.where(ratio < 1.0, (1.0 - ratio * ratio) ** 2, 0.0)
        else:
            weight = 1.0 / np.maximum(ratio, 1.0)
        if weight.sum() < 1.2 * design.shape[1]:
            break
    return RobustFit(coefficient, residual, scale, np.linalg.pinv(normal, hermitian=True))
