"""The field of one channel and colour: panel to direction and back, for every pupil position.

q(u, v, x0, y0) = sum_ij P_i(u, v) C_ij Q_j(x0, y0) with q = t / sqrt(1 + |t|^2) and the reference pupil
(x0, y0) = (x - z tx, y - z ty): a ray does not bend between two pupil positions on it.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray, as_pixel, as_pupil, as_tangent, extent, finite_rows
from prewarp.errors import ShapeError
from prewarp.field.batches import SLICE, over_slices
from prewarp.field.border import cutting_edges, distance_inside
from prewarp.field.lit import LitRegion
from prewarp.field.mount import UNMOUNTED, Mount
from prewarp.field.start import StartMap, fit_start_map
from prewarp.fitting.expansion import Expansion, pupil_sum
from prewarp.frames import cosine_from_tangent, degrees_from_tangent, tangent_from_cosine

# Steps for a pupil off the reference plane: each gains a factor of 1e-3 or so, and is trusted to gain
# DEPTH_GAIN. A low pupil degree comes first because it is cheap.
DEPTH_STEPS = 12
# A direction turns by a thousandth or so per mm: this leaves 1e-10.
DEPTH_TOLERANCE_MM = 1e-7
DEPTH_GAIN = 0.05
ROUGH_PUPIL_DEGREE, ROUGH_STEPS = 2, 2
NEWTON_STEPS = 12
CHORD_STEPS = 3
LARGEST_LAST_STEP_PX = 0.5
# Points each way of a panel at which it is asked how much is lit.
LIT_NODES = 129
# Sums over the panel of so many points and pupils are in work at once: what fits a cache.
_PUPIL_SLICE = 2048
# Newton may look this far beyond the panel (share of its size): a start just outside must be able to come
# back in.
NEWTON_MARGIN = 0.05


@dataclass(frozen=True)
class InverseResult:
    """Result of `Field.inverse`.

    `pixel` (..., 2), px, NaN where not valid; `valid` (...), True where the direction is inside the reach;
    `iterations`, the most Newton steps that any point took.
    """

    pixel: FloatArray
    valid: np.ndarray
    iterations: int


@dataclass(frozen=True)
class Field:
    """Fitted field of one channel and colour.

    Parameters
    ----------
    channel, colour : str
        Names.
    panel_size_px : (int, int)
        Width and height of the panel.
    expansion : Expansion
        Coefficients and bases.
    captured_tangent : (k, 2) float array
        Corners of the convex hull of the captured directions, counter-clockwise.
    border_pixel : (k, 2) float array
        Corners of the convex part of the panel that the samples speak for, px, counter-clockwise in (u, v) as
        numbers: the whole panel where they cover it (`border.captured_border`). The reach ends here.
    mount : Mount
        How the channel is turned from the frame of its capture to the eye's: everything that goes in or comes
        out is in the eye's frame, `expansion` and `lit` alone are in the channel's own.
    lit : tuple of LitRegion
        What of the panel is lit, as a function of the pupil: by missing samples, by luminance; a point is lit
        where it is in all of them. Empty: all of it, as far as samples say.
    """

    channel: str
    colour: str
    panel_size_px: tuple[int, int]
    expansion: Expansion
    captured_tangent: FloatArray
    border_pixel: FloatArray
    mount: Mount = UNMOUNTED
    lit: tuple[LitRegion, ...] = ()

    def __repr__(self) -> str:
        (x0, y0), (x1, y1) = degrees_from_tangent(extent(self.captured_tangent))
        width, height = self.panel_size_px
        return (
            f"Field {self.channel}/{self.colour}: panel {width} x {height} px, captured dir_x {x0:.1f} to "
            f"{x1:.1f}, dir_y {y0:.1f} to {y1:.1f} degrees" + ("" if self.mount.is_identity else ", mounted")
        )

    def mounted(self, mount: Mount, /) -> "Field":
        """Return the same field with `mount` in place of its own: nothing is fitted again."""
        own = self.mount.inward(self.captured_tangent)
        return replace(self, captured_tangent=mount.outward(own), mount=mount)

    def forward(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return the direction in which a panel point is seen from a pupil position.

        Parameters
        ----------
        pixel : (..., 2) array
            Panel point (u, v), px. Points off the panel are extrapolated.
        pupil_mm : (..., 3) array
            Pupil position, mm from the eye-box centre. Leading axes broadcast with those of `pixel`.

        Returns
        -------
        (..., 2) float array
            Direction (tx, ty), tangents, eye frame; NaN where the extrapolated cosines leave the unit circle.

        Raises
        ------
        ShapeError
            Last axis is not 2 (`pixel`) or 3 (`pupil_mm`), or the leading axes do not broadcast.

        Notes
        -----
        Off the plane z = 0 solves t = f(u, v, x - z tx, y - z ty) by a few steps.
        """
        pixel, pupil_mm, shape = _broadcast(as_pixel(pixel), self._own_pupil(pupil_mm))
        tangent = np.empty_like(pixel)

        def work(part: slice) -> None:
            tangent[part] = tangent_from_cosine(self._cosine(pixel[part], pupil_mm[part])[0].T)

        over_slices(len(pixel), work)
        return self._outward(tangent).reshape(*shape, 2)

    def forward_from_all(self, pixel: ArrayLike, /, *, pupils_mm: ArrayLike) -> FloatArray:
        """Return the directions (m, n, 2) of panel points (n, 2), px, each from every pupil of (m, 3), mm.

        As `forward`, but for roundings of 1e-16: sums over the panel are done once for all pupils, which is
        several times as quick where points are few.

        Raises
        ------
        ShapeError
            Not such shapes.
        """
        pixel, pupils = as_pixel(pixel), self._own_pupil(pupils_mm)
        if pixel.ndim != 2 or pupils.ndim != 2:
            raise ShapeError(
                f"pixel has shape {pixel.shape}, pupils_mm {pupils.shape}; expected (n, 2) and (m, 3)."
            )
        inner = self.expansion.panel.sums(pixel, self.expansion.coefficients)
        tangent, points = np.empty((len(pupils), len(pixel), 2)), len(pixel)
        at_once = max(_PUPIL_SLICE // max(points, 1), 1)
        for first in range(0, len(pupils), at_once):
            part = pupils[first : first + at_once]
            every = np.tile(inner, (1, 1, len(part)))
            cosine, _ = self._settle_depth(every, np.repeat(part, points, axis=0))
            tangent[first : first + at_once] = tangent_from_cosine(cosine.T).reshape(len(part), points, 2)
        return self._outward(tangent)

    def inverse(
        self,
        tangent: ArrayLike,
        /,
        *,
        pupil_mm: ArrayLike,
        tolerance_px: float = 1e-9,
        margin_px: float = 0.0,
    ) -> InverseResult:
        """Return the panel point that is seen in a direction from a pupil position.

        Newton's method with the analytic Jacobian from a fitted start map. Single points fail as
        `valid=False`: no convergence, a panel point outside the border by more than `margin_px`, or one where
        the map is folded over (its Jacobian determinant has the other sign than at the panel's middle).

        Parameters
        ----------
        tangent : (..., 2) array
            Direction (tx, ty), tangents, eye frame.
        pupil_mm : (..., 3) array
            Pupil position, mm from the eye-box centre. Leading axes broadcast with those of `tangent`.
        tolerance_px : float
            Error of the panel point at which to stop, estimated from the last step. Pixels.
        margin_px : float
            How far outside the border a point may lie, for comparing with samples at the very edge. Pixels.

        Returns
        -------
        InverseResult

        Raises
        ------
        ShapeError
            Last axis is not 2 (`tangent`) or 3 (`pupil_mm`), or the leading axes do not broadcast.
        """
        tangent = as_tangent(tangent) if self.mount.is_identity else self.mount.inward(as_tangent(tangent))
        tangent, pupil_mm, shape = _broadcast(tangent, self._own_pupil(pupil_mm))
        pixel = np.full_like(tangent, np.nan)
        valid = np.zeros(len(tangent), dtype=bool)
        steps = np.zeros(max(1, -(-len(tangent) // SLICE)), dtype=int)
        start = self.start_map

        def work(part: slice) -> None:
            found, fine, used = self._newton(tangent[part], pupil_mm[part], start, tolerance_px, margin_px)
            pixel[part] = np.where(fine[:, None], found, np.nan)
            valid[part] = fine
            steps[part.start // SLICE] = used

        over_slices(len(tangent), work)
        return InverseResult(pixel.reshape(*shape, 2), valid.reshape(shape), int(steps.max()))

    def jacobian(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return d(tx, ty)/d(u, v), (..., 2, 2), per px; rows tx, ty; pupil held. Arguments as `forward`."""
        return self._slopes(pixel, pupil_mm)[0]

    def pupil_jacobian(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return d(tx, ty)/d(x, y), (..., 2, 2), per mm; rows tx, ty; pixel held. Arguments as `forward`."""
        return self._slopes(pixel, pupil_mm)[1]

    def depth_px(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return how far inside the part of the panel that is captured and lit points lie, panel px, (...).

        Negative outside; NaN where the point or its direction is not known. Arguments as `forward`.

        Notes
        -----
        The lesser of the distance to the lines of `border_pixel` and that to the border of `lit`, which is
        first order (`LitRegion.depth_px`).
        """
        pixel, own_pupil, shape = _broadcast(as_pixel(pixel), self._own_pupil(pupil_mm))
        depth = distance_inside(pixel, self.border_pixel)
        if self.lit:
            depth = np.minimum(depth, self._lit_depth_px(pixel, own_pupil))
        return depth.reshape(shape)

    def lit_depth_px(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return how far inside what is lit points lie, panel px, (...): as `depth_px`, but for the border.

        Infinite where all is lit.
        """
        pixel, own_pupil, shape = _broadcast(as_pixel(pixel), self._own_pupil(pupil_mm))
        return self._lit_depth_px(pixel, own_pupil).reshape(shape)

    def reference_mm(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return where rays cross the plane z = 0 of the channel's own frame, (..., 2), mm."""
        pixel, own_pupil, shape = _broadcast(as_pixel(pixel), self._own_pupil(pupil_mm))
        reference = own_pupil[:, :2]
        if np.any(own_pupil[:, 2]):
            _, reference = self._cosine(pixel, own_pupil)
        return reference.reshape(*shape, 2)

    def lit_percent(self, *, pupil_mm: ArrayLike) -> float:
        """Return how much of the captured part of the panel is lit from a pupil (3,), mm, per cent."""
        width, height = self.panel_size_px
        u, v = (np.linspace(0.0, length, LIT_NODES) for length in (width, height))
        pixel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
        captured = pixel[distance_inside(pixel, self.border_pixel) > 0.0]
        return float(100.0 * np.mean(self.lit_depth_px(captured, pupil_mm=pupil_mm) > 0.0))

    def _lit_depth_px(self, pixel: FloatArray, own_pupil: FloatArray) -> FloatArray:
        if not self.lit:
            return np.full(len(pixel), np.inf)
        reference = own_pupil[:, :2]
        if np.any(own_pupil[:, 2]):
            _, reference = self._cosine(pixel, own_pupil)
        depth: FloatArray = np.min([one.depth_px(pixel, reference) for one in self.lit], axis=0)
        return depth

    def forward_lattice(self, u: ArrayLike, v: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return directions (len(v), len(u), 2) of a lattice of panel points from one pupil position (3,).

        The sum is done axis by axis, so a full panel costs little more than writing it. Rows index v, columns
        u; the last axis is (tx, ty).
        """
        u, v, pupil = np.asarray(u, float).ravel(), np.asarray(v, float).ravel(), self._own_pupil(pupil_mm)
        if pupil.shape != (3,):
            raise ShapeError(
                f"pupil_mm has shape {pupil.shape}; expected (3,): one pupil position, x, y, z in mm."
            )
        in_u, in_v = self.expansion.panel.lattice_factors(u, v)
        tensor = self.expansion.panel.tensor(self.expansion.coefficients)
        if pupil[2] == 0.0:
            at_pupil = self.expansion.frame.values(pupil[None, :2], self.expansion.pupil_degree)[:, 0]
            cosine = _lattice_sum(in_u, in_v, np.einsum("kljc,j->klc", tensor, at_pupil))
            return self._outward(tangent_from_cosine(cosine))
        maps = _lattice_sum(in_u, in_v, tensor.reshape(*tensor.shape[:2], -1))
        maps = maps.reshape(len(v) * len(u), tensor.shape[2], 2)
        tangent = np.empty((len(maps), 2))

        def work(part: slice) -> None:
            inner = np.ascontiguousarray(maps[part].transpose(2, 1, 0))
            pupils = np.broadcast_to(pupil, (inner.shape[2], 3))
            tangent[part] = tangent_from_cosine(self._settle_depth(inner, pupils)[0].T)

        over_slices(len(maps), work)
        return self._outward(tangent).reshape(len(v), len(u), 2)

    def _own_pupil(self, pupil_mm: ArrayLike) -> FloatArray:
        """Return pupil positions (..., 3) in the channel's own frame."""
        pupil_mm = as_pupil(pupil_mm)
        return pupil_mm if self.mount.is_identity else self.mount.pupil_inward(pupil_mm)

    def _outward(self, tangent: FloatArray) -> FloatArray:
        """Return directions (..., 2) in the eye's frame."""
        return tangent if self.mount.is_identity else self.mount.outward(tangent)

    @cached_property
    def start_map(self) -> StartMap:
        """Start values for `inverse`, fitted on first use."""
        return fit_start_map(self.expansion, self.border_pixel)

    def _cosine(self, pixel: FloatArray, pupil_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return q (2, n) and the reference pupil (n, 2)."""
        if not np.any(pupil_mm[:, 2]) and _is_constant(pupil_mm[:, :2]):
            reference = pupil_mm[:, :2]
            at_pupil = self.expansion.at_pupil(reference[0])
            return at_pupil.panel.sums(pixel, at_pupil.coefficients)[:, 0], reference
        return self._settle_depth(self.expansion.panel.sums(pixel, self.expansion.coefficients), pupil_mm)

    def _settle_depth(self, inner: FloatArray, pupil_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return q (2, n) and the reference pupil (n, 2) from panel sums `inner` (2, pupil functions, n)."""
        degree = self.expansion.pupil_degree
        if not np.any(pupil_mm[:, 2]):
            reference = pupil_mm[:, :2]
            return pupil_sum(inner, self.expansion.frame.values(reference, degree)), reference
        pupil, depth = np.ascontiguousarray(pupil_mm[:, :2].T), np.ascontiguousarray(pupil_mm[:, 2])
        reference, gain, before, slope = pupil, DEPTH_GAIN, 0.0, None
        if degree > ROUGH_PUPIL_DEGREE:
            rough = inner[:, : count_of_degree(ROUGH_PUPIL_DEGREE)]
            first, last = 0.0, 0.0
            for _ in range(ROUGH_STEPS):
                step, slope = self._depth_step(rough, ROUGH_PUPIL_DEGREE, reference, pupil, depth, slope)
                reference, first, last = reference + step, last, _longest(step)
            gain = min(last / first, gain) if first else gain
        for _ in range(DEPTH_STEPS):
            step, slope = self._depth_step(inner, degree, reference, pupil, depth, slope)
            reference, length = reference + step, _longest(step)
            # What is left is about the step times what steps shrink by.
            gain = min(length / before, DEPTH_GAIN) if before else gain
            if length * gain <= DEPTH_TOLERANCE_MM:
                break
            before = length
        return pupil_sum(inner, self.expansion.frame.values(reference.T, degree)), reference.T

    def _depth_step(
        self,
        inner: FloatArray,
        degree: int,
        reference: FloatArray,
        pupil: FloatArray,
        depth: FloatArray,
        slope: FloatArray | None,
    ) -> tuple[FloatArray, FloatArray | None]:
        """Return a Newton step (2, n) to x0 = x - z t(x0), and the inverse slope (2, 2, n) for further steps.

        The slope is that of the linear pupil terms alone, where the first step starts.
        """
        q = pupil_sum(inner, self.expansion.frame.values(reference.T, degree))
        with np.errstate(invalid="ignore"):
            # t = s q with s = 1 / sqrt(1 - |q|^2); off the unit circle NaN.
            scaled = depth / np.sqrt(1.0 - q[0] * q[0] - q[1] * q[1])
        rest = pupil - scaled * q - reference
        if degree == 0:
            return rest, None
        if slope is None:
            # Slope of q by x, y near the middle of the box; dt = s (1 + t t^T) dq is close enough to s dq
            # here.
            (xx, xy), (yx, yy) = inner[:, 1:3] * (scaled / np.array(self.expansion.frame.half_mm)[:, None])
            xx, yy = xx + 1.0, yy + 1.0
            slope = np.array([[yy, -xy], [-yx, xx]]) / (xx * yy - xy * yx)
        return slope[:, 0] * rest[0] + slope[:, 1] * rest[1], slope

    def _newton(
        self,
        tangent: FloatArray,
        pupil_mm: FloatArray,
        start: StartMap,
        tolerance_px: float,
        margin_px: float,
    ) -> tuple[FloatArray, np.ndarray, int]:
        """Return panel points (n, 2), which of them are good (n,), and the steps taken."""
        size = np.array(self.panel_size_px, dtype=float)
        low, high = -NEWTON_MARGIN * size - margin_px, (1.0 + NEWTON_MARGIN) * size + margin_px
        target = cosine_from_tangent(tangent)
        reference = pupil_mm[:, :2] - pupil_mm[:, 2:] * tangent
        usable = finite_rows(target, reference)
        pixel = np.full_like(target, np.nan)
        pixel[usable] = np.clip(start.pixel(target[usable], reference[usable]), low, high)
        expansion = self.expansion
        if _is_constant(reference):
            expansion = expansion.at_pupil(reference[0])
        determinant = np.zeros(len(target))
        converged = np.zeros(len(target), dtype=bool)
        was_outside = np.zeros(len(target), dtype=bool)
        active = np.flatnonzero(usable)
        used = 0
        while active.size > 0 and used < NEWTON_STEPS:
            used += 1
            everything = active.size == len(target)
            here = slice(None) if everything else active
            value, slope = expansion.values_and_jacobian(pixel[here], reference[here])
            determinant[here] = slope[0, 0] * slope[1, 1] - slope[0, 1] * slope[1, 0]
            wanted = target[here].T
            step = _solve(slope, determinant[here], wanted - value)
            moved = np.clip(pixel[here] + step.T, low, high)
            # With the slope kept, cheaper steps gain as many digits again; the error left after a step is
            # about its length times what it shrank by.
            for _ in range(CHORD_STEPS):
                before = np.abs(step).max(axis=0)
                step = _solve(slope, determinant[here], wanted - expansion.values(moved, reference[here]))
                free = moved + step.T
                moved = np.clip(free, low, high)
                length = np.abs(step).max(axis=0)
                left = length * np.minimum(length / np.maximum(before, 1e-300), 1.0)
                done = (
                    (left <= tolerance_px) & (length < LARGEST_LAST_STEP_PX) & np.all(moved == free, axis=1)
                )
                if done.all():
                    break
            pixel[here] = moved
            converged[here] = done
            # Driven out twice running: the direction lies beyond the panel.
            is_outside = np.any(moved != free, axis=1)
            gone = is_outside & was_outside[here]
            was_outside[here] = is_outside
            active = active[~done & ~gone]
        inside = np.all((pixel >= -margin_px) & (pixel <= size + margin_px), axis=1)
        for a, b, c in self._cutting_edges:
            inside &= pixel[:, 0] * a + pixel[:, 1] * b + c <= margin_px
        return pixel, converged & inside & (determinant * self.orientation > 0.0), used

    @cached_property
    def _cutting_edges(self) -> FloatArray:
        return cutting_edges(self.border_pixel, self.panel_size_px)

    @cached_property
    def orientation(self) -> float:
        """Sign of the Jacobian determinant at the panel's middle: -1 upright (v runs down), +1 mirrored."""
        middle = np.array([self.panel_size_px], dtype=float) / 2.0
        _, slope = self.expansion.values_and_jacobian(middle, np.array([self.expansion.frame.centre_mm]))
        return float(np.sign(slope[0, 0, 0] * slope[1, 1, 0] - slope[0, 1, 0] * slope[1, 0, 0]))

    def _slopes(self, pixel: ArrayLike, pupil_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return dt/d(u, v) and dt/d(x, y), each (..., 2, 2)."""
        pixel, pupil_mm, shape = _broadcast(as_pixel(pixel), self._own_pupil(pupil_mm))
        by_pixel, by_pupil = np.empty((len(pixel), 2, 2)), np.empty((len(pixel), 2, 2))

        def work(part: slice) -> None:
            cosine, reference = self._cosine(pixel[part], pupil_mm[part])
            _, slope = self.expansion.values_and_jacobian(pixel[part], reference)
            tangent = tangent_from_cosine(cosine.T)
            to_tangent = _tangent_slope(tangent)
            panel = to_tangent @ np.moveaxis(slope, -1, 0)
            pupil = to_tangent @ np.moveaxis(self.expansion.pupil_jacobian(pixel[part], reference), -1, 0)
            # t = f(u, v, x - z t): both slopes are divided by (1 + z dt/dx).
            coupling = np.eye(2) + pupil_mm[part, 2, None, None] * pupil
            by_pixel[part] = np.linalg.solve(coupling, panel)
            by_pupil[part] = np.linalg.solve(coupling, pupil)
            if not self.mount.is_identity:
                # x and y of the eye move x, y and z of the own frame; there dt/dz = -(dt/d(x, y)) t.
                by_own = np.concatenate([by_pupil[part], -by_pupil[part] @ tangent[:, :, None]], axis=-1)
                turn = self.mount.outward_slope(tangent)
                by_pixel[part] = turn @ by_pixel[part]
                by_pupil[part] = turn @ by_own @ self.mount.matrix.T[:, :2]

        over_slices(len(pixel), work)
        return by_pixel.reshape(*shape, 2, 2), by_pupil.reshape(*shape, 2, 2)


def _broadcast(first: FloatArray, pupil_mm: FloatArray) -> tuple[FloatArray, FloatArray, tuple[int, ...]]:
    """Return both arrays as (n, 2) and (n, 3) with a common leading shape."""
    try:
        shape = np.broadcast_shapes(first.shape[:-1], pupil_mm.shape[:-1])
    except ValueError as cause:
        raise ShapeError(
            f"leading axes {first.shape[:-1]} and pupil_mm's {pupil_mm.shape[:-1]} do not broadcast; "
            "give one pupil position, or one for each point."
        ) from cause
    flat = np.broadcast_to(first, (*shape, 2)).reshape(-1, 2)
    return flat, np.broadcast_to(pupil_mm, (*shape, 3)).reshape(-1, 3), shape


def _longest(step: FloatArray) -> float:
    """Return the largest component of steps (2, n); 0 where none is known."""
    return float(np.fmax.reduce(np.abs(step), axis=None, initial=0.0))


def _is_constant(array: FloatArray) -> bool:
    return bool(np.all(array == array[:1]))


def _lattice_sum(in_u: FloatArray, in_v: FloatArray, tensor: FloatArray) -> FloatArray:
    """Return sum_kl T_k(u) T_l(v) tensor[k, l, ...] as (nv, nu, ...)."""
    rows = np.tensordot(in_v, tensor, axes=(0, 1))
    return np.ascontiguousarray(np.moveaxis(np.tensordot(rows, in_u, axes=(1, 0)), -1, 1))


def _solve(slope: FloatArray, determinant: FloatArray, right: FloatArray) -> FloatArray:
    """Return J^-1 r (2, n) for J (2, 2, n); a singular J gives a huge step, which the caller clips."""
    safe = np.where(np.abs(determinant) > 1e-300, determinant, 1e-300)
    return np.stack(
        [
            (slope[1, 1] * right[0] - slope[0, 1] * right[1]) / safe,
            (slope[0, 0] * right[1] - slope[1, 0] * right[0]) / safe,
        ]
    )


def _tangent_slope(tangent: FloatArray) -> FloatArray:
    """Return dt/dq (n, 2, 2) = s (1 + t t^T), s = sqrt(1 + |t|^2): derived from t = q / sqrt(1 - |q|^2)."""
    scale = np.sqrt(1.0 + np.sum(tangent * tangent, axis=-1))[:, None, None]
    result: FloatArray = scale * (np.eye(2) + tangent[:, :, None] * tangent[:, None, :])
    return result
