"""The family of plain lattices: whole meshes at a lattice of pupil positions, bilinear on the panel, trilinear in the pupil.

For devices that only interpolate. Nothing is shared between colours. As a rule these tables are so large that they are
planned (sizes, error measured on sampled cells) long before anybody builds one.
"""

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import PackageError
from prewarp.lookup.coding import CodedArray, Format, coded, scale_for
from prewarp.lookup.measure import px_error
from prewarp.lookup.mesh_modes import affine_surface
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import Family, MapTable, float32_array
from prewarp.points import box_lattice

if TYPE_CHECKING:
    from prewarp.lookup.candidates import ChannelProblem

STORAGES = ("half", "half of the rest", "16-bit of the rest")
MESHES = (
    9,
    13,
    17,
    25,
    33,
    49,
    65,
    81,
    97,
    113,
    129,
    145,
    161,
    177,
    193,
    225,
    257,
    289,
    321,
    385,
    449,
    513,
    641,
    769,
)
PUPILS = (2, 3, 5, 7, 9, 11, 13, 15, 17, 21, 25, 33, 41, 49)
LARGEST_BYTES = 64 << 20
_PROBES = 15
_BISECTIONS = 9


@dataclass(frozen=True)
class LatticePlan:
    """A plain lattice of one channel, all colours: nodes, pupil counts x, y, z, storage, bytes, error on sampled cells."""

    columns: int
    rows: int
    pupil_counts: tuple[int, int, int]
    storage: str
    byte_count: int
    error_px: float


def smallest_lattice(
    problem: "ChannelProblem",
    limit_px: float,
    /,
    *,
    storage: str,
    box_mm: FloatArray,
    px_per_tangent: FloatArray,
) -> tuple[LatticePlan | None, float]:
    """Return the smallest plain lattice within `limit_px`, and the rounding error alone of this storage, px.

    Parameters
    ----------
    problem : ChannelProblem
    storage : str
        One of `STORAGES`: half floats of directions; half floats, or 16-bit codes, of what an affine map leaves.
    px_per_tangent : (n, n, 2, 2) float array
        Inverse Jacobian of the base colour on `probe_axis()` squared, pupil at the middle.

    Notes
    -----
    The errors of refining one axis at a time are added up; the budget for that sum is stretched by bisection until the
    lattice chosen by it just reaches the limit when its error is measured whole.
    """
    trial = _Trial(problem, storage, np.asarray(box_mm, dtype=float), px_per_tangent)
    rounding = trial.rounding_px()
    if rounding > limit_px:
        return None, rounding
    by_mesh = {n: trial.error((n, None, None, None)) for n in MESHES}
    axes = [PUPILS if trial.has_length[axis] else (1,) for axis in range(3)]
    by_axis = [
        {
            n: trial.error((None, *(n if other == axis else None for other in range(3)))) if n > 1 else 0.0
            for n in axes[axis]
        }
        for axis in range(3)
    ]
    best: LatticePlan | None = None
    low, high = np.log(0.5 * limit_px), np.log(4.0 * limit_px)
    for _ in range(_BISECTIONS):
        budget = float(np.exp(0.5 * (low + high)))
        shape = _cheapest(problem, by_mesh, by_axis, budget)
        error = np.inf if shape is None else trial.error(shape)
        if error <= limit_px:
            plan = _plan(problem, shape, storage, error)
            best = plan if best is None or plan.byte_count < best.byte_count else best
            low = np.log(budget)
        elif shape is None:
            low = np.log(budget)
        else:
            high = np.log(budget)
    return best, rounding


def lattice_tables(problem: "ChannelProblem", plan: LatticePlan, /) -> tuple[MapTable, ...]:
    """Build the tables of a plan: half floats or 16-bit codes.

    Raises
    ------
    PackageError
        The plan takes more than `LARGEST_BYTES`.
    """
    if plan.byte_count > LARGEST_BYTES:
        raise PackageError(
            f"a plain lattice of {plan.columns} x {plan.rows} nodes for {plan.pupil_counts} pupils takes "
            f"{plan.byte_count / 1e6:.0f} MB per channel; at most {LARGEST_BYTES / 1e6:.0f} MB are written. "
            "Choose another family or a larger error."
        )
    s, t = np.linspace(-1.0, 1.0, plan.columns), np.linspace(-1.0, 1.0, plan.rows)
    unit = box_lattice(-np.ones(3), np.ones(3), plan.pupil_counts)
    tables = []
    for colour, series in zip(problem.colours, problem.series, strict=True):
        values = np.swapaxes(series.at(s, t, unit), 1, 2)
        affine = np.zeros((2, 3)) if plan.storage == "half" else _affine(series)
        rest = values - affine_surface(Family.LATTICE, affine, plan.columns, plan.rows)
        if plan.storage == "16-bit of the rest":
            block = coded(rest, Format.INT16, scale_for(rest, Format.INT16))
        else:
            block = CodedArray(Format.HALF, rest.astype(np.float16).astype(np.float32).ravel())
        tables.append(
            MapTable(
                problem.channel, colour, None, Family.LATTICE, plan.columns, plan.rows, 0, len(unit),
                plan.pupil_counts, affine, (block,),
            )
        )  # fmt: skip
    return tuple(tables)


def probe_axis() -> FloatArray:
    """Return the panel positions near which lattices are tried, on -1 to 1."""
    return np.linspace(-1.0, 1.0, _PROBES)


class _Trial:
    """Errors of lattices of the base colour; an axis whose count is None is taken as exact."""

    def __init__(
        self, problem: "ChannelProblem", storage: str, box_mm: FloatArray, px_per_tangent: FloatArray
    ) -> None:
        self.problem, self.storage, self.px_per_tangent = problem, storage, px_per_tangent
        self.series = problem.series[0]
        self.affine = np.zeros((2, 3)) if storage == "half" else _affine(self.series)
        self.has_length = box_mm[1] > box_mm[0]
        ends = probe_axis()
        rest = self._rest(ends, ends, self._middles((2, 2, 2))[0])
        self.step = scale_for(rest * 1.02, Format.INT16)

    def rounding_px(self) -> float:
        axis = np.linspace(-1.0, 1.0, 97)
        rest = self._rest(axis, axis, np.zeros((1, 3)))
        # The largest error of rounding anywhere: half a step in both components at once.
        if self.storage == "16-bit of the rest":
            half = np.full_like(rest, 0.5 * self.step)
        else:
            half = 0.5 * np.spacing(np.abs(rest).astype(np.float16)).astype(float)
        place = np.clip(np.round((axis + 1.0) * 0.5 * (_PROBES - 1)).astype(int), 0, _PROBES - 1)
        jacobian = self.px_per_tangent[place[:, None], place[None, :]]
        return float(max(px_error(half[0], jacobian).max(), px_error(half[0] * [1.0, -1.0], jacobian).max()))

    def error(self, shape: tuple[int | None, ...]) -> float:
        mesh, *counts = shape
        s, s_nodes, s_weights = self._panel(mesh)
        t, t_nodes, t_weights = self._panel(None if mesh is None else self.problem.mesh_shape(mesh)[1])
        if all(count is None for count in counts):
            # The mesh alone: one pupil position will do, the whole lattice is measured later.
            unit, corners, weights = np.zeros((1, 3)), np.zeros((1, 1, 3)), np.ones((1, 1))
        else:
            unit, corners, weights = self._middles(tuple(counts))
        exact = self.series.at(s, t, unit)
        stored = self._rounded(self._rest(s_nodes, t_nodes, corners.reshape(-1, 3)))
        plane = self._plane(s_nodes, t_nodes)
        nodes = (stored + plane).reshape(*corners.shape[:2], *stored.shape[1:])
        at_pupil = np.einsum("nk,nkvuc->nvuc", weights, nodes)
        got = np.einsum("iv,nvuc->niuc", t_weights, at_pupil)
        got = np.einsum("ju,niuc->nijc", s_weights, got)
        place_s = np.clip(np.round((s + 1.0) * 0.5 * (_PROBES - 1)).astype(int), 0, _PROBES - 1)
        place_t = np.clip(np.round((t + 1.0) * 0.5 * (_PROBES - 1)).astype(int), 0, _PROBES - 1)
        return float(px_error(got - exact, self.px_per_tangent[place_t[:, None], place_s[None, :]]).max())

    def _rest(self, s: FloatArray, t: FloatArray, unit: FloatArray) -> FloatArray:
        return self.series.at(s, t, unit) - self._plane(s, t)

    def _plane(self, s: FloatArray, t: FloatArray) -> FloatArray:
        return self.affine[:, 0] + s[None, :, None] * self.affine[:, 1] + t[:, None, None] * self.affine[:, 2]

    def _rounded(self, rest: FloatArray) -> FloatArray:
        if self.storage == "16-bit of the rest":
            return np.rint(rest / self.step) * self.step
        return rest.astype(np.float16).astype(float)

    def _panel(self, nodes: int | None) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return positions, the nodes around them and the weights that join the two."""
        if nodes is None:
            axis = probe_axis()
            return axis, axis, np.eye(len(axis))
        cell = np.unique(np.clip(((probe_axis() + 1.0) * 0.5 * (nodes - 1)).astype(int), 0, nodes - 2))
        used = np.unique(np.concatenate([cell, cell + 1]))
        place = 2.0 * used / (nodes - 1) - 1.0
        weights = np.zeros((len(cell), len(used)))
        for offset in (0, 1):
            weights[np.arange(len(cell)), np.searchsorted(used, cell + offset)] = 0.5
        return (2.0 * cell + 1.0) / (nodes - 1) - 1.0, place, weights

    def _middles(self, counts: tuple[int | None, ...]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return unit pupil positions (n, 3) in middles of cells, their corners (n, k, 3) and weights (n, k)."""
        axes = []
        for axis, count in enumerate(counts):
            if count is None or count == 1 or not self.has_length[axis]:
                ends = np.array([-1.0, 0.0, 1.0]) if self.has_length[axis] else np.zeros(1)
                axes.append([(place, (place,)) for place in ends])
                continue
            cells = np.unique([0, (count - 1) // 2, count - 2])
            node = np.linspace(-1.0, 1.0, count)
            axes.append([(0.5 * (node[c] + node[c + 1]), (node[c], node[c + 1])) for c in cells])
        unit, corners = [], []
        for chosen in product(*axes):
            unit.append([place for place, _ in chosen])
            corners.append(list(product(*(ends for _, ends in chosen))))
        corner = np.array(corners)
        return np.array(unit), corner, np.full(corner.shape[:2], 1.0 / corner.shape[1])


def _affine(series: FieldSeries) -> FloatArray:
    """Return the best plane (2, 3) at the middle of the pupil box: the linear Chebyshev terms."""
    middle = np.zeros((1, 3))
    axis = np.linspace(-1.0, 1.0, 33)
    values = series.at(axis, axis, middle)[0].reshape(-1, 2)
    s, t = np.meshgrid(axis, axis)
    basis = np.stack([np.ones(s.size), s.ravel(), t.ravel()], axis=-1)
    return float32_array(np.linalg.lstsq(basis, values, rcond=None)[0].T)


def _cheapest(
    problem: "ChannelProblem", by_mesh: dict[int, float], by_axis: list[dict[int, float]], budget: float
) -> tuple[int, int, int, int] | None:
    """Return mesh and pupil counts of the smallest lattice whose errors add up to at most the budget."""
    counts = [np.array(list(one)) for one in (by_mesh, *by_axis)]
    errors = [np.array(list(one.values())) for one in (by_mesh, *by_axis)]
    sizes = [np.array([mesh * problem.mesh_shape(int(mesh))[1] for mesh in counts[0]]), *counts[1:]]
    total, size = np.zeros(()), np.ones(())
    for error, one in zip(errors, sizes, strict=True):
        total, size = total[..., None] + error, size[..., None] * one
    size = np.where(total <= budget, size, np.inf)
    best = np.unravel_index(np.argmin(size), size.shape)
    if not np.isfinite(size[best]):
        return None
    return tuple(int(one[place]) for one, place in zip(counts, best, strict=True))


def _plan(problem: "ChannelProblem", shape: tuple[int, ...], storage: str, error: float) -> LatticePlan:
    columns, rows = problem.mesh_shape(shape[0])
    count = columns * rows * shape[1] * shape[2] * shape[3] * len(problem.colours)
    return LatticePlan(columns, rows, tuple(shape[1:]), storage, count * 4, error)
