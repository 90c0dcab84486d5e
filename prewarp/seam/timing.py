"""Time across the seam: when each channel lights a direction, and the split that a turn makes of it.

Two channels that light one direction at different times show it in two places as soon as head or eye turns:
a turn at rate w about the axis n moves a direction s by w n x s per unit of time, so the split is w (n x s)
dt, dt the difference of the times. About an axis at right angles to s it is w dt whatever the direction: 1
arcmin at 100 deg/s for 1/6 ms. Nothing here knows what the pictures show; a late rotation (`prewarp.head`)
takes the head's part of the split away, not the eye's. Design page section 8.4.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, as_tangent
from prewarp.field.known import NotKnown
from prewarp.frames import sight_axes, unit_from_tangent
from prewarp.published import HEAD_RATES
from prewarp.scan import PanelScan, scan_table

if TYPE_CHECKING:
    from prewarp.field import Field

# Resolution limit of normal vision (common practice).
LIMIT_ARCMIN = 1.0
ARCMIN_PER_DEGREE = 60.0
MS_PER_S = 1000.0
# Axes of the turns that are told apart: to the right, upward.
YAW, PITCH = (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0)
# Places told along the seam, at most.
PROFILE_PLACES = 9
QUANTITY = "panels out of step"


def timing_not_known(scans: Mapping[str, PanelScan | None], channels: Sequence[str], /) -> NotKnown | None:
    """Return why time across the seam of `channels` is not known; None where every scan is declared."""
    missing = [name for name in channels if scans.get(name) is None]
    if not missing:
        return None
    names = ", ".join(f"'{name}'" for name in missing)
    return NotKnown(
        QUANTITY,
        f"when the lines of channel{'s' if len(missing) > 1 else ''} {names} are lit is not declared",
        f"{' and '.join(scan_table(name) for name in missing)} in the module file",
    )


def lit_ms(
    field: "Field", scan: PanelScan, tangent: ArrayLike, /, *, pupil_mm: ArrayLike = (0.0, 0.0, 0.0)
) -> FloatArray:
    """Return when a channel lights directions.

    Parameters
    ----------
    field : Field
    scan : PanelScan
        Of the channel's panel.
    tangent : (..., 2) float array
        Directions, tangents, eye frame.
    pupil_mm : (..., 3) float array
        Pupil, mm; leading axes broadcast with those of `tangent`.

    Returns
    -------
    (...) float array
        ms after the frame's start, middle of the persistence of the line seen there; NaN out of reach.

    Raises
    ------
    ShapeError
        Last axis is not 2 (`tangent`) or 3 (`pupil_mm`).
    """
    found = field.inverse(as_tangent(tangent), pupil_mm=as_pupil(pupil_mm))
    return scan.lit_ms(np.where(found.valid[..., None], found.pixel, np.nan), field.panel_size_px)


def split_arcmin_per_deg_per_s(tangent: ArrayLike, apart_ms: ArrayLike, axis: ArrayLike, /) -> FloatArray:
    """Return the split of directions that are lit twice, per rate of a turn about an axis.

    Parameters
    ----------
    tangent : (..., 2) float array
        Directions, tangents.
    apart_ms : (...) float array
        Time at which the second channel lights them less that of the first, ms.
    axis : (3,) float array
        Unit vector, eye frame; about y the turn is to the right, about -x upward.

    Returns
    -------
    (..., 2) float array
        From the first channel's picture to the second's, right and up across the line of sight, arcmin per
        deg/s, as an eye that keeps still in the world sees it while its head turns. For an eye that turns
        in a still head the split has the other sign.

    Notes
    -----
    First order of the chord between R(w t_a) s and R(w t_b) s; the rest is of the order of (w dt)^3.
    """
    tangent = as_tangent(tangent)
    moved = np.cross(np.asarray(axis, dtype=float), unit_from_tangent(tangent))
    per_s = np.einsum("...ij,...j->...i", sight_axes(tangent), moved) * ARCMIN_PER_DEGREE
    return np.asarray(per_s * np.asarray(apart_ms, dtype=float)[..., None] / MS_PER_S)


@dataclass(frozen=True)
class SeamTiming:
    """When two channels light the directions of their overlap.

    Parameters
    ----------
    channels : (str, str)
    tangent : (n, 2) float array
        Directions, tangents.
    lit_ms : (2, n) float array
        When each channel lights them, pupil at the first of the positions considered, ms after the frame's
        start.
    apart_ms : (n,) float array
        Second less first, at the pupil where it is largest in size.
    """

    channels: tuple[str, str]
    tangent: FloatArray
    lit_ms: FloatArray
    apart_ms: FloatArray

    def __repr__(self) -> str:
        return (
            f"<SeamTiming of {' and '.join(self.channels)}, {len(self.tangent)} directions: lit up to "
            f"{np.nanmax(np.abs(self.apart_ms)):.3g} ms apart, "
            f"{self.largest_per_rate:.3g} arcmin per deg/s>"
        )

    @property
    def worst_axis(self) -> FloatArray:
        """Split (n,) for the worst axis, any at right angles to the direction, arcmin per deg/s."""
        return np.abs(self.apart_ms) * (ARCMIN_PER_DEGREE / MS_PER_S)

    @property
    def yaw(self) -> FloatArray:
        """Split (n, 2) for a turn to the right, arcmin per deg/s, right and up."""
        return split_arcmin_per_deg_per_s(self.tangent, self.apart_ms, YAW)

    @property
    def pitch(self) -> FloatArray:
        """Split (n, 2) for a turn upward, arcmin per deg/s, right and up."""
        return split_arcmin_per_deg_per_s(self.tangent, self.apart_ms, PITCH)

    @property
    def largest_per_rate(self) -> float:
        """Largest split of all directions and axes, arcmin per deg/s."""
        return float(np.nanmax(self.worst_axis))

    def largest_arcmin(self, rate_deg_per_s: float, /) -> float:
        """Return the largest split of all directions and axes at a rate, arcmin."""
        return self.largest_per_rate * rate_deg_per_s

    def sentence(self, *, limit_arcmin: float = LIMIT_ARCMIN) -> str:
        """Return in words how far the panels are out of step."""
        first, second = self.channels
        worst = float(np.nanmax(np.abs(self.apart_ms)))
        start = f"'{first}' and '{second}' light one direction up to {worst:.3g} ms apart"
        if self.largest_per_rate < 1e-9:
            return f"{start}: in step."
        reached = limit_arcmin / self.largest_per_rate
        return (
            f"{start}: a split of {self.largest_per_rate:.3g} arcmin per deg/s of turn, "
            f"{limit_arcmin:g} arcmin at {reached:.3g} deg/s."
        )

    def as_dict(self, *, limit_arcmin: float = LIMIT_ARCMIN) -> dict[str, Any]:
        """Return the figures for machines; units are in the keys."""
        worst = int(np.nanargmax(np.abs(self.apart_ms)))
        largest = self.largest_per_rate
        return {
            "channels": list(self.channels),
            "directions": len(self.tangent),
            "lit_ms": {
                name: {"least": float(np.nanmin(time)), "largest": float(np.nanmax(time))}
                for name, time in zip(self.channels, self.lit_ms, strict=True)
            },
            "apart_least_ms": float(np.nanmin(self.apart_ms)),
            "apart_median_ms": float(np.nanmedian(self.apart_ms)),
            "apart_largest_ms": float(np.nanmax(self.apart_ms)),
            "worst_axis_arcmin_per_deg_per_s": largest,
            "yaw_arcmin_per_deg_per_s": _longest(self.yaw),
            "pitch_arcmin_per_deg_per_s": _longest(self.pitch),
            "worst_place": _place(self.tangent[worst]),
            "limit_arcmin": limit_arcmin,
            "limit_reached_at_deg_per_s": None if largest < 1e-12 else limit_arcmin / largest,
            "at_rates": [
                {
                    **one.as_dict(),
                    "split_arcmin": self.largest_arcmin(one.high),
                    "within_limit": bool(self.largest_arcmin(one.high) <= limit_arcmin),
                }
                for one in HEAD_RATES
            ],
            "along_seam": self.along_seam(),
        }

    def along_seam(self) -> list[dict[str, Any]]:
        """Return times and splits at places along the overlap's longer side, in its middle across."""
        return [
            {
                **_place(self.tangent[k]),
                "apart_ms": float(self.apart_ms[k]),
                "worst_axis_arcmin_per_deg_per_s": float(self.worst_axis[k]),
                "yaw_right_up_arcmin_per_deg_per_s": self.yaw[k].tolist(),
                "pitch_right_up_arcmin_per_deg_per_s": self.pitch[k].tolist(),
            }
            for k in self._places()
        ]

    def _places(self) -> list[int]:
        """Return which directions lie along the seam, evenly."""
        degrees = np.degrees(np.arctan(self.tangent))
        known = np.flatnonzero(np.isfinite(self.apart_ms))
        along = int(np.argmax(np.ptp(degrees[known], axis=0)))
        low, high = degrees[known, along].min(), degrees[known, along].max()
        chosen: list[int] = []
        for at in np.linspace(low, high, PROFILE_PLACES):
            near = np.abs(degrees[known, along] - at)
            row = known[near <= near.min() + 1e-6]
            across = degrees[row, 1 - along]
            chosen.append(int(row[np.argmin(np.abs(across - 0.5 * (across.min() + across.max())))]))
        return list(dict.fromkeys(chosen))


def seam_timing(
    first: "Field",
    second: "Field",
    scans: tuple[PanelScan, PanelScan],
    tangent: ArrayLike,
    /,
    *,
    pupils_mm: ArrayLike = (0.0, 0.0, 0.0),
) -> SeamTiming:
    """Return when two channels light common directions.

    Parameters
    ----------
    first, second : Field
    scans : (PanelScan, PanelScan)
        Of their panels.
    tangent : (n, 2) float array
        Directions that both serve, tangents (`overlaps`).
    pupils_mm : (3,) or (p, 3) float array
        Pupil positions considered, mm; the panel point of a direction, and with it the time, moves a little
        with the pupil.
    """
    tangent = as_tangent(tangent).reshape(-1, 2)
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    times = pair_times(((first, scans[0]), (second, scans[1])), tangent, pupils)
    apart = times[1] - times[0]
    size = np.where(np.isfinite(apart), np.abs(apart), -1.0)
    worst = np.take_along_axis(apart, size.argmax(axis=0)[None], axis=0)[0]
    return SeamTiming((first.channel, second.channel), tangent, times[:, 0], worst)


def pair_times(
    channels: "Sequence[tuple[Field, PanelScan]]", tangent: FloatArray, pupils_mm: FloatArray, /
) -> FloatArray:
    """Return when channels light directions (n, 2) from pupils (p, 3), (channels, p, n) ms."""
    return np.stack(
        [
            np.stack([lit_ms(field, scan, tangent, pupil_mm=pupil) for pupil in pupils_mm])
            for field, scan in channels
        ]
    )


def _longest(vectors: FloatArray) -> float:
    return float(np.nanmax(np.hypot(vectors[:, 0], vectors[:, 1])))


def _place(tangent: FloatArray) -> dict[str, float]:
    x, y = np.degrees(np.arctan(tangent))
    return {"dir_x_deg": float(x), "dir_y_deg": float(y)}
