"""How sure a fit is: the 1-sigma error of the panel point, from the covariance of the coefficients."""

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.polynomial import PolynomialFit
from prewarp.fitting.pupil import pupil_columns

NODES = 13


def map_nodes(size_px: tuple[int, int], /) -> tuple[FloatArray, FloatArray]:
    """Return the u and v of the certainty map's nodes, px, edge to edge."""
    return np.linspace(0.0, size_px[0], NODES), np.linspace(0.0, size_px[1], NODES)


def sigma_map(fit: PolynomialFit, reference_mm: FloatArray, /) -> FloatArray:
    """Return the 1-sigma length (px) of the fitted map's error, shape (colours, pupils, NODES, NODES); rows index v.

    For panel point and pupil with design rows a (2, m): cov q = sigma^2 a N^-1 a^T, taken to px by J^-1; the length is the
    square root of the trace. Noise alone: what the model cannot follow is not in it.

    Parameters
    ----------
    fit : PolynomialFit
    reference_mm : (pupils, 2) float array
        Pupil positions in the plane z = 0, mm.
    """
    first = fit.expansions[0]
    size = first.panel.size_px
    u, v = map_nodes(size)
    rows, columns = np.meshgrid(v, u, indexing="ij")
    pixel = np.stack([columns.ravel(), rows.ravel()], axis=-1)
    base = ChebyshevPanel(size, fit.model.degree).values(pixel)
    frame = first.frame
    table = pupil_columns(fit.basis_pupil_degree, frame.half_mm)
    result = np.empty((len(fit.expansions), len(reference_mm), len(pixel)))
    for place, pupil in enumerate(reference_mm):
        scalar = frame.values(pupil[None], table.degree)[:, 0]
        at_pupil = np.stack([table.x @ scalar, table.y @ scalar])
        for colour, expansion in enumerate(fit.expansions):
            used = (fit.columns.block == 0) | (fit.columns.block == colour)
            design = base[fit.columns.panel] * used[:, None] * fit.factor.scale[:, None]
            components = [
                linalg.solve_triangular(
                    fit.factor.lower,
                    design * at_pupil[axis, fit.columns.pupil][:, None],
                    lower=True,
                    check_finite=False,
                    overwrite_b=True,
                )
                for axis in (0, 1)
            ]
            xx, yy = (np.sum(part * part, axis=0) for part in components)
            xy = np.sum(components[0] * components[1], axis=0)
            _, slope = expansion.values_and_jacobian(pixel, np.broadcast_to(pupil, (len(pixel), 2)))
            inverse = np.linalg.inv(np.moveaxis(slope, -1, 0))
            covariance = np.stack([np.stack([xx, xy], axis=-1), np.stack([xy, yy], axis=-1)], axis=-1)
            variance = np.einsum("nij,njk,nik->n", inverse, covariance, inverse)
            result[colour, place] = fit.sigma_px[colour] * np.sqrt(np.maximum(variance, 0.0))
    return result.reshape(*result.shape[:2], NODES, NODES)
