"""Chebyshev products of total degree with first derivatives, for checks on a few thousand to a million samples."""

import numpy as np

from prewarp.checks import FloatArray, IntArray


def total_degree(variables: int, degree: int, limits: tuple[int, ...] | None = None) -> IntArray:
    """Return exponents (k, variables) with sum at most `degree`, each at most its limit; by rising degree."""
    limits = limits or (degree,) * variables
    grid = np.stack(np.meshgrid(*(np.arange(limit + 1) for limit in limits), indexing="ij"), axis=-1)
    exponents = grid.reshape(-1, variables)
    exponents = exponents[exponents.sum(axis=1) <= degree]
    return exponents[np.lexsort((*exponents.T, exponents.sum(axis=1)))]


def chebyshev_terms(w: FloatArray, exponents: IntArray, *, derivative: int | None = None) -> FloatArray:
    """Return (n, k) products of T_e(w) over the variables of w (n, variables), or the derivative by one of them.

    d T_n / dw = n U_(n-1); U by the same recurrence as T (Abramowitz and Stegun 22.8, 22.7).
    """
    result = None
    for axis in range(exponents.shape[1]):
        highest = int(exponents[:, axis].max())
        table = np.empty((highest + 1, len(w)))
        x = w[:, axis]
        table[0] = 1.0
        if highest:
            table[1] = 2.0 * x if axis == derivative else x
        for order in range(2, highest + 1):
            table[order] = 2.0 * x * table[order - 1] - table[order - 2]
        if axis == derivative:  # table holds U_0..U_highest; turn it into derivatives of T
            table[1:] = table[:-1].copy() * np.arange(1, highest + 1)[:, None]
            table[0] = 0.0
        chosen = table[exponents[:, axis]]
        result = chosen if result is None else np.multiply(result, chosen, out=result)
    return result.T
