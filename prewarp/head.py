"""How the head turns while a frame is shown, and what that does to a panel that is lit line by line.

A frame's content is drawn for one pose of the head; each line is lit at its own time, and by then the head
has turned on. What a panel lights in direction s of the head at time t lies, in the pose that the content was
drawn for, in direction R(rate (t - drawn for)) s. Drawn so, content that stands still in the world stands
still: late rotation. Only turns are taken; moves of the head, and of what is shown, are not.

Design page section 8.4.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import RenderError
from prewarp.frames import turned_tangent
from prewarp.records import Number, Numbers, checked, validate
from prewarp.scan import LONGEST_PICTURE_MS, PanelScan, scan_table

if TYPE_CHECKING:
    from prewarp.field import Field
    from prewarp.field.lit import LitRegion

# Heads reach some 800 deg/s (Grossman et al., Exp. Brain Res. 70 (1988) 470); more is a wrong unit.
FASTEST_DEG_PER_S = 2000.0
# Between the time drawn for and the time lit; the series of devices hold that far (`shaders/turning.glsl`).
LARGEST_TURN_DEG = 20.0
_MS_PER_S = 1000.0
# Each step of the inverse shortens its error by rate x line time over the angle of a px: to 0.2 or far less.
_INVERSE_STEPS = 8
# How far off the panel points may lie on the way, as a share of it; nodes, each way, of the first guess.
_SLACK = 0.04
_START_NODES = 9


@dataclass(frozen=True)
class HeadTurn:
    """A steady turn of the head during a frame.

    Parameters
    ----------
    rate_deg_per_s : (float, float, float)
        Rotation vector per second, about x, y, z of the eye's frame, deg/s: about y the head turns to the
        right, about x downward, about z so that its right side moves up.
    drawn_for_ms : float
        The time, after the frame's start, whose head pose the content was drawn for.
    weights_for_ms : float or None
        One time for all panels of an eye in whose pose light is shared out: then blend weights sum to 1
        wherever content is seen, however far panels are out of step. As a rule the mean of the panels'
        middles (`Eye.head_turn`), which moves weights least against the optics. None: as `drawn_for_ms`.

    Raises
    ------
    RenderError
        A setting is no number, or out of its range.
    """

    rate_deg_per_s: tuple[float, float, float] = checked(
        Numbers(Number(-FASTEST_DEG_PER_S, FASTEST_DEG_PER_S, "deg/s"), 3, 3), default=(0.0, 0.0, 0.0)
    )
    drawn_for_ms: float = checked(Number(-500.0, 500.0, "ms"), default=0.0)
    weights_for_ms: float | None = checked(Number(-500.0, 500.0, "ms"), default=None)

    def __post_init__(self) -> None:
        validate(self, RenderError)

    @classmethod
    def of_angles(
        cls,
        yaw: float,
        pitch: float,
        roll: float,
        /,
        *,
        drawn_for_ms: float = 0.0,
        weights_for_ms: float | None = None,
    ) -> "HeadTurn":
        """Return the turn of a head by rates in deg/s: yaw to the right, pitch up, roll to the right
        shoulder.
        """
        return cls((0.0 - pitch, float(yaw), 0.0 - roll), drawn_for_ms, weights_for_ms)

    @property
    def is_still(self) -> bool:
        """Whether nothing turns."""
        return not any(self.rate_deg_per_s)

    def turn_rad(self, time_ms: FloatArray, /) -> FloatArray:
        """Return how the head has turned since the pose drawn for, (..., 3) rotation vectors, radians."""
        since = (np.asarray(time_ms, dtype=float) - self.drawn_for_ms) / _MS_PER_S
        return np.asarray(since[..., None] * np.radians(self.rate_deg_per_s))

    def turned(self, tangent: FloatArray, time_ms: FloatArray, /) -> FloatArray:
        """Return where directions (..., 2) of the head, lit at times (...), ms, lie in the pose drawn for."""
        return turned_tangent(tangent, self.turn_rad(time_ms))

    def weighed(self, tangent: FloatArray, time_ms: FloatArray, /) -> FloatArray:
        """Return the directions (..., 2) whose blend weights directions of the head, lit at times, take."""
        pose_ms = self.drawn_for_ms if self.weights_for_ms is None else self.weights_for_ms
        since = (np.asarray(time_ms, dtype=float) - pose_ms) / _MS_PER_S
        return turned_tangent(tangent, since[..., None] * np.radians(self.rate_deg_per_s))

    def back(self, tangent: FloatArray, time_ms: FloatArray, /) -> FloatArray:
        """Return the directions of the head, at times (...), ms, of directions (..., 2) in the pose drawn
        for.
        """
        return turned_tangent(tangent, -self.turn_rad(time_ms))

    def require_small(self, scan: PanelScan, panel_size_px: tuple[int, int], /) -> None:
        """Raise `RenderError` where the head turns by more than `LARGEST_TURN_DEG` before a line is lit."""
        constant, along_u, along_v = scan.lit_coefficients_ms(panel_size_px)
        ends = constant + along_u * panel_size_px[0] * np.array([0.0, 1.0])
        ends = np.concatenate([ends, ends + along_v * panel_size_px[1]])
        longest = float(np.abs(ends - self.drawn_for_ms).max())
        turn = float(np.linalg.norm(self.rate_deg_per_s)) * longest / _MS_PER_S
        if turn > LARGEST_TURN_DEG:
            raise RenderError(
                f"the head turns by {turn:.3g} degrees between the pose drawn for and the last line lit, "
                f"{longest:.3g} ms; expected at most {LARGEST_TURN_DEG:g} degrees. Check rate, drawn_for_ms "
                f"and the scan (pictures take up to {LONGEST_PICTURE_MS:g} ms)."
            )


def require_scan(scan: PanelScan | None, channel: str, /) -> PanelScan:
    """Return a channel's scan; `RenderError` that says what to declare where it is not known."""
    if scan is None:
        raise RenderError(
            f"channel '{channel}': when its lines are lit is not known, and a turning head needs it. "
            f"Declare {scan_table(channel)} in the module file."
        )
    return scan


@dataclass(frozen=True)
class SeenResult:
    """Panel points (..., 2), px, and whether (...) they were found on the panel."""

    pixel: FloatArray
    valid: BoolArray


@dataclass(frozen=True)
class TurningField:
    """A channel and colour as an eye sees it that keeps still in the world while the head turns.

    Directions are those in the pose that the content was drawn for. The part of the face of `Field` that
    `view_mesh` and `seam_error` take: `forward`, `inverse`, `jacobian`.

    Parameters
    ----------
    field : Field
    scan : PanelScan
    head : HeadTurn

    Raises
    ------
    RenderError
        The head turns by more than `LARGEST_TURN_DEG` within the frame.
    """

    field: "Field"
    scan: PanelScan
    head: HeadTurn

    def __post_init__(self) -> None:
        self.head.require_small(self.scan, self.panel_size_px)

    @property
    def panel_size_px(self) -> tuple[int, int]:
        """Width and height of the panel, px."""
        return self.field.panel_size_px

    @property
    def lit(self) -> "tuple[LitRegion, ...]":
        """What of the panel is lit, as the field has it."""
        return self.field.lit

    def lit_depth_px(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return how far inside what is lit panel points (..., 2), px, lie; see `Field.lit_depth_px`.

        The optics turn with the head, so what is lit stays where it is on the panel.
        """
        return self.field.lit_depth_px(pixel, pupil_mm=pupil_mm)

    def lit_ms(self, pixel: FloatArray, /) -> FloatArray:
        """Return when panel points (..., 2), px, are lit, (...) ms."""
        return self.scan.lit_ms(pixel, self.panel_size_px)

    def forward(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return the directions (..., 2) in which panel points (..., 2), px, are seen when they are lit."""
        pixel = np.asarray(pixel, dtype=float)
        return self.head.turned(self.field.forward(pixel, pupil_mm=pupil_mm), self.lit_ms(pixel))

    def inverse(self, tangent: ArrayLike, /, *, pupil_mm: ArrayLike, margin_px: float = 0.0) -> SeenResult:
        """Return the panel points (..., 2), px, that are seen in directions (..., 2).

        Fixed-point steps: where a point lies says when it is lit, and that where to look for it. Points up to
        `margin_px` off the panel are valid.
        """
        tangent, pupil = np.asarray(tangent, dtype=float), np.asarray(pupil_mm, dtype=float)
        size = np.asarray(self.panel_size_px)
        pixel = self._about(tangent, pupil)
        # On the way a point may lie further off the panel than in the end.
        slack = margin_px + _SLACK * max(self.panel_size_px)
        for _ in range(_INVERSE_STEPS):
            found = self.field.inverse(
                self.head.back(tangent, self.lit_ms(pixel)), pupil_mm=pupil, margin_px=slack
            )
            pixel = np.where(found.valid[..., None], found.pixel, np.clip(pixel, -slack, size + slack))
        last = self.field.inverse(
            self.head.back(tangent, self.lit_ms(pixel)), pupil_mm=pupil, margin_px=margin_px
        )
        return SeenResult(last.pixel, np.asarray(last.valid))

    def _about(self, tangent: FloatArray, pupil: FloatArray) -> FloatArray:
        """Return about where directions (..., 2) are on the panel, by the best affine map, (..., 2) px."""
        share = np.linspace(0.0, 1.0, _START_NODES)
        nodes = np.stack(np.meshgrid(share, share), axis=-1).reshape(-1, 2) * self.panel_size_px
        seen = self.forward(nodes, pupil_mm=pupil.reshape(-1, 3).mean(axis=0))
        known = np.isfinite(seen).all(axis=-1)
        basis = np.column_stack([np.ones(known.sum()), seen[known]])
        solution, *_ = np.linalg.lstsq(basis, nodes[known], rcond=None)
        return np.asarray(solution[0] + np.nan_to_num(tangent) @ solution[1:])

    def jacobian(self, pixel: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return d(tx, ty)/d(u, v) at panel points (..., 2), (..., 2, 2) per px, by central differences."""
        pixel = np.asarray(pixel, dtype=float)
        columns = [
            self.forward(pixel + step, pupil_mm=pupil_mm) - self.forward(pixel - step, pupil_mm=pupil_mm)
            for step in 0.5 * np.eye(2)
        ]
        return np.stack(columns, axis=-1)
