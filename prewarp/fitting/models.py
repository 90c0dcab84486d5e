"""What may be chosen: degrees, colour differences, curl, mirror symmetry, and the columns of each choice."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.checks import IntArray
from prewarp.fitting.chebyshev import exponents_up_to
from prewarp.fitting.pupil import PupilColumns

# Beyond any that is tried.
EVERY_DEGREE = 40


@dataclass(frozen=True)
class PolynomialModel:
    """One choice of columns for a channel with all its colours. Every choice is a degree, so choices nest.

    Parameters
    ----------
    degree : int
        Total degree in (u, v, x, y) of the direction cosines.
    pupil_cost : int
        How many degrees one degree in (x, y) counts for: 1 for the plain total degree, 2 where the eye box is
        small beside the optics, so that powers of the pupil matter less than powers of the field.
    pupil_degree : int
        Degree in (x, y) alone.
    difference_degree : int
        Total degree of what the other colours differ by from the reference colour; -1: the colours are one.
    curl_degree : int
        Degree of the columns that are no gradient over the pupil; 0: none.
    odd_u_degree, odd_v_degree : int
        Total degree of the columns that break the mirror symmetry in u and x (in v and y) about the middle of
        the panel and of the eye box; -1: the channel is its own mirror image.
    difference_pupil_degree : int
        Degree in (x, y) of what the other colours differ by: less where they were shown at few positions.
    """

    degree: int
    pupil_cost: int
    pupil_degree: int
    difference_degree: int
    curl_degree: int
    odd_u_degree: int
    odd_v_degree: int
    difference_pupil_degree: int = EVERY_DEGREE

    def with_degree(self, degree: int, /) -> "PolynomialModel":
        """Return the model at another total degree; the difference degree moves by as much, down to -1."""
        return replace(
            self, degree=degree, difference_degree=max(self.difference_degree + degree - self.degree, -1)
        )

    def tidied(self) -> "PolynomialModel":
        """Return the same columns with every degree no higher than the total degree."""
        names = ("pupil_degree", "difference_degree", "curl_degree", "odd_u_degree", "odd_v_degree")
        tidy = replace(self, **{name: min(getattr(self, name), self.degree) for name in names})
        pupil_degree = min(tidy.pupil_degree, tidy.degree // tidy.pupil_cost)
        return replace(tidy, pupil_degree=pupil_degree, curl_degree=min(tidy.curl_degree, pupil_degree))

    def holds(self, other: "PolynomialModel", /) -> bool:
        """Return whether sums for this model are sums for the other, of the same pupil cost, too."""
        return other.degree <= self.degree and other.pupil_degree <= self.pupil_degree

    def text(self) -> str:
        """Return the choice in words, for people."""
        cost = f" (each counts {self.pupil_cost})" if self.pupil_cost > 1 else ""
        parts = [f"polynomial of degree {self.degree}", f"pupil degree {self.pupil_degree}{cost}"]
        if self.difference_degree >= 0:
            parts.append(f"colour difference degree {self.difference_degree}")
            if self.difference_pupil_degree < self.pupil_degree:
                parts[-1] += f" (pupil degree {self.difference_pupil_degree}: few positions show the others)"
        if self.curl_degree:
            parts.append(f"curl degree {self.curl_degree}")
        for name, degree in (("left-right", self.odd_u_degree), ("up-down", self.odd_v_degree)):
            if degree < 0:
                parts.append(f"{name} symmetric")
            elif degree < self.degree:
                parts.append(f"{name} symmetric above degree {degree}")
        return ", ".join(parts)


@dataclass(frozen=True)
class JointColumns:
    """Columns of all colours: `block` 0 is shared by all, block k > 0 belongs to the k-th other colour.

    `panel` and `pupil` are the panel function and the pupil column of each.
    """

    block: IntArray
    panel: IntArray
    pupil: IntArray

    @property
    def count(self) -> int:
        """Number of columns: the parameters of the model."""
        return len(self.block)

    def degrees(self, table: PupilColumns, /) -> tuple[int, int]:
        """Return the highest degrees of the panel functions and of the pupil columns of a table."""
        order = table.order[self.pupil]
        highest = exponents_up_to(int(self.panel.max(initial=0)))[-1]
        return int(highest.sum()), int(order.max(initial=0))

    def places_in_block(self, block: int, panel: IntArray, pupil: IntArray, /) -> IntArray:
        """Return the places of a block's columns with these panel functions and pupil columns (n,)."""
        places = np.flatnonzero(self.block == block)
        width = int(max(self.pupil.max(initial=0), pupil.max(initial=0))) + 1
        own = self.panel[places] * width + self.pupil[places]
        order = np.argsort(own)
        return places[order[np.searchsorted(own, panel * width + pupil, sorter=order)]]

    def take(self, index: IntArray, /) -> "JointColumns":
        """Return the chosen columns, in the order given."""
        return JointColumns(self.block[index], self.panel[index], self.pupil[index])


def columns_of(model: PolynomialModel, colours: int, pupil: PupilColumns, /) -> JointColumns:
    """Return the columns of a model, in an order that depends on nothing else."""
    axes = (np.arange(colours), np.arange(len(pupil.order)), np.arange(count_of_degree(model.degree)))
    block, column, panel = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    universe = JointColumns(block, panel, column)
    return universe.take(np.flatnonzero(belongs(universe, model, pupil)))


def belongs(columns: JointColumns, model: PolynomialModel, pupil: PupilColumns, /) -> np.ndarray:
    """Return which columns (n,) the model has."""
    exponents = exponents_up_to(int(columns.panel.max(initial=0)))[columns.panel]
    order, parity = pupil.order[columns.pupil], pupil.parity[columns.pupil]
    total = exponents.sum(axis=1) + model.pupil_cost * order
    degree = np.where(columns.block == 0, model.degree, min(model.difference_degree, model.degree))
    is_curl = pupil.is_curl[columns.pupil]
    inside = (total <= degree) & (order <= np.where(is_curl, model.curl_degree, model.pupil_degree))
    inside &= (columns.block == 0) | (order <= model.difference_pupil_degree)
    for axis, odd_degree in enumerate((model.odd_u_degree, model.odd_v_degree)):
        is_odd = (exponents[:, axis] + parity[:, axis]) % 2 == 1
        inside &= ~is_odd | (total <= odd_degree)
    result: np.ndarray = inside
    return result


def nested_order(
    columns: JointColumns, chain: Sequence[PolynomialModel], pupil: PupilColumns, /
) -> tuple[IntArray, list[int]]:
    """Return the places of a chain's columns, each model of it a prefix, and the prefix lengths.

    A column goes with the first model of the chain that has it.
    """
    first = np.full(columns.count, len(chain))
    for place, model in reversed(list(enumerate(chain))):
        first[belongs(columns, model, pupil)] = place
    used = np.flatnonzero(first < len(chain))
    ordered = used[np.argsort(first[used], kind="stable")]
    lengths = np.cumsum(np.bincount(first[ordered], minlength=len(chain)))
    return ordered, [int(length) for length in lengths]
