"""Columns of a field, sums of them over the rays of each shot, and solving by their factor."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from prewarp.checks import FloatArray, IntArray
from prewarp.fitting.leastsquares import Factor
from prewarp.fitting.models import EVERY_DEGREE, JointColumns, PolynomialModel, columns_of, nested_order
from prewarp.fitting.moments import group_columns
from prewarp.fitting.pupil import pupil_columns
from prewarp.poses.gauge import Exponents, wavefront_exponents
from prewarp.poses.rays import PlacedRays

PUPIL_COST = 2


@dataclass(frozen=True)
class FieldColumns:
    """Gradient columns of a field: total degree (each pupil degree counts two), pupil degree, and the total
    degrees up to which the mirror symmetries in u and in v may be broken.

    The columns of the highest pupil degree are those that are only guessed at.
    """

    degree: int
    pupil_degree: int
    odd_u_degree: int = EVERY_DEGREE
    odd_v_degree: int = EVERY_DEGREE

    @property
    def model(self) -> PolynomialModel:
        """The columns as a model of one colour."""
        return PolynomialModel(
            self.degree, PUPIL_COST, self.pupil_degree, -1, 0, self.odd_u_degree, self.odd_v_degree
        )

    def waves(self, highest: int, /) -> Exponents:
        """Return exponents (a, b) of wavefronts common to all dots, degree 2 .. `highest`.

        Those that the mirror symmetries leave: one that they exclude is in no column either.
        """
        odd_degrees = (self.odd_u_degree, self.odd_v_degree)
        return [
            both
            for both in wavefront_exponents(highest)
            if all(
                one % 2 == 0 or PUPIL_COST * (sum(both) - 1) <= odd_degree
                for one, odd_degree in zip(both, odd_degrees, strict=True)
            )
        ]

    @cached_property
    def columns(self) -> JointColumns:
        """The columns."""
        return columns_of(self.model, 1, pupil_columns(self.pupil_degree, (1.0, 1.0)))

    def nested(self, chain: "Sequence[FieldColumns]", /) -> tuple[IntArray, list[int]]:
        """Return places of the columns, each model of a nested chain a prefix, and the prefix lengths."""
        pupil = pupil_columns(self.pupil_degree, (1.0, 1.0))
        return nested_order(self.columns, [one.model for one in chain], pupil)

    @cached_property
    def order(self) -> IntArray:
        """Degree over the pupil of each column."""
        return pupil_columns(self.pupil_degree, (1.0, 1.0)).order[self.columns.pupil]

    @property
    def product_degrees(self) -> tuple[int, ...]:
        """Highest panel degree of products of two columns, by degree over the pupil."""
        return tuple(2 * self.degree - PUPIL_COST * order for order in range(2 * self.pupil_degree + 1))


@dataclass(frozen=True)
class ShotSums:
    """Sums over the rays of each shot; `shot` (n,) codes, `count` shots."""

    shot: IntArray
    count: int

    @cached_property
    def rows(self) -> list[IntArray]:
        """The rays of each shot."""
        return [np.flatnonzero(self.shot == k) for k in range(self.count)]

    def products(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Return sums of first_a . second_b (k, a, b) of vectors (a, 2, n), (b, 2, n)."""
        return np.stack(
            [np.tensordot(first[:, :, mine], second[:, :, mine], ((1, 2), (1, 2))) for mine in self.rows]
        )


def one_block_a_shot(blocks: FloatArray, /) -> FloatArray:
    """Return a matrix (k a, k a) of blocks (k, a, a), nothing beside them."""
    count, size, _ = blocks.shape
    matrix = np.zeros((count, size, count, size))
    matrix[np.arange(count), :, np.arange(count)] = blocks
    return matrix.reshape(count * size, -1)


def weighted_vectors(weights: FloatArray, vectors: FloatArray) -> FloatArray:
    """Return W v (j, 2, n) for weights (3, n) and vectors (j, 2, n)."""
    x, y = vectors[:, 0], vectors[:, 1]
    return np.stack([weights[0] * x + weights[1] * y, weights[1] * x + weights[2] * y], axis=1)


def column_sums(placed: PlacedRays, own: ShotSums, weighted: FloatArray, model: FieldColumns) -> FloatArray:
    """Return F'W (m, k, j) of weighted vectors (j, 2, n): every column of the field, shot by shot.

    Columns over the pupil that have the same panel functions go together, so that high ones, which have few,
    cost little.
    """
    samples = placed.samples
    panel, frame = samples.panel_basis(model.degree), samples.frame
    table = pupil_columns(model.pupil_degree, frame.half_mm)
    order, groups = group_columns(model.columns.panel, model.columns.pupil, table)
    result = np.zeros((own.count, len(weighted), model.columns.count))
    for k, mine in enumerate(own.rows):
        if len(mine) == 0:
            continue
        phi = panel.values(samples.pixel[mine])
        psi = frame.values(samples.reference_mm[mine], model.pupil_degree)
        part = weighted[:, :, mine]
        for group in groups:
            in_x, in_y = table.x[group.pupils] @ psi, table.y[group.pupils] @ psi
            joint = part[:, 0, None] * in_x
            joint += part[:, 1, None] * in_y
            products = joint.reshape(-1, len(mine)) @ phi[list(group.panels)].T
            result[k, :, group.span] = products.reshape(len(weighted), -1)
    return result.transpose(2, 0, 1)[np.argsort(order)]


def forward_solved(solver: Factor, side: FloatArray) -> FloatArray:
    """Return L^-1 side for the factor's L, in the unscaled columns."""
    scaled = side * (solver.scale if side.ndim == 1 else solver.scale[:, None])
    result: FloatArray = linalg.solve_triangular(solver.lower, scaled, lower=True, check_finite=False)
    return result
