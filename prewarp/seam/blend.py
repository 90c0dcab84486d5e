"""Blend weights across the seam, fixed in direction over the eye box; and what of them is lit from a pupil.

`b_c(t) = r(d_c / f) / sum_k r(d_k / f)` with r the quintic smoothstep and f the feather. d_c is the angle
from t to the part of channel c's outline that other channels cover: only there is light handed over.
(Measured to the whole outline, d would also fall to zero at the outer border, where all channels do so
together, and the ramp would shrink to nothing towards the ends of the seam.) Weights multiply linear light,
never encoded values.

Seen from a pupil position (`Seam.at`) a channel has a share only where it is lit from there, in every colour:
w_c = lit_c b_c / sum_k lit_k b_k. Where no channel is lit there is a hole, and all weights are 0.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter

from prewarp.checks import BoolArray, FloatArray, as_pupil, as_tangent, require_range
from prewarp.errors import SeamError
from prewarp.seam.directions import direction_lattice, plane_deg_from_tangent
from prewarp.seam.light import ChannelLight, channel_lights
from prewarp.seam.reach import ChannelReach, field_of_view, reaches_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from prewarp.field import FieldSet

# Distances are held on a lattice of directions with this pitch and joined by cubic B-splines, so that the
# weights have two continuous derivatives: a kink where the nearest side changes is rounded over about one
# pitch.
LATTICE_STEP_DEG = 0.25
LATTICE_MARGIN_DEG = 2.0
# Spread of that rounding well inside a reach: weights must change slowly against the nodes of a mesh, some
# 0.3 degree apart.
ROUNDING_DEG = 0.3
# A share that a channel keeps wherever it is lit, so that it serves alone where others are dark.
LEAST_CLAIM = 1e-9
# White ends so many dot spacings inside the border of what is lit, which is known to about as much.
SHOWN_MARGIN_SPACINGS = 0.1
# Claim of a channel that shares no outline with another: far more than any feather.
_UNCONTESTED_DEG = 180.0


def quintic_smoothstep(x: ArrayLike, /) -> FloatArray:
    """Return 6 x^5 - 15 x^4 + 10 x^3, clipped to 0 below 0 and 1 above 1; r(x) + r(1 - x) = 1."""
    share: FloatArray = np.clip(np.asarray(x, dtype=np.float64), 0.0, 1.0)
    return share * share * share * (share * (6.0 * share - 15.0) + 10.0)


def shown_weights(
    shares: NDArray[np.floating], depth_deg: NDArray[np.floating], /, *, edge_deg: float = 0.0
) -> NDArray[np.floating]:
    """Return the share of light of each channel (channels, ...) of those that are lit.

    Parameters
    ----------
    shares : (channels, ...) float array
        Shares by direction alone (`Seam.shares`).
    depth_deg : (channels, ...) float array
        How far inside what each channel shows the direction lies, degrees; above 0 is lit.
    edge_deg : float
        Light fades over so many degrees towards the rim of what any channel shows.

    Notes
    -----
    w_c = lit_c (b_c + s) / sum_k lit_k (b_k + s), s = `LEAST_CLAIM`; times the quintic smoothstep of the
    largest depth over `edge_deg`. All 0 where none is lit.
    """
    claims = np.where(depth_deg > 0.0, shares + LEAST_CLAIM, 0.0)
    total = claims.sum(axis=0)
    weights = claims / np.where(total > 0.0, total, 1.0)
    if edge_deg > 0.0:
        weights = weights * quintic_smoothstep(depth_deg.max(axis=0) / edge_deg)
    return np.asarray(weights)


@dataclass(frozen=True)
class Seam:
    """Blend weights of the channels of one eye as a function of direction alone.

    Parameters
    ----------
    reaches : tuple of ChannelReach
        Directions that each channel serves from every pupil position considered.
    feather_deg : float
        Width over which light is handed over, degrees.
    widest_feather_deg : float
        Twice the distance, from both outlines, of the best-placed point of the tightest overlap.
    origin_deg : (2,) float array
        Direction of lattice node (row 0, column 0) in the plane (angle from straight ahead, in degrees, along
        the azimuth; +x right, +y up); rows run along y, columns along x, `LATTICE_STEP_DEG` apart.
    inside : (channels, rows, columns) float array
        B-spline coefficients of the angle inside each reach, degrees, negative outside.
    claim : (channels, rows, columns) float array
        B-spline coefficients of d_c, degrees.
    lights : tuple of ChannelLight
        Where each channel is lit; empty: everywhere within its reach.
    pupils_mm : (n, 3) float array or None
        Pupil positions that the reaches are for, mm.
    edge_deg : float
        Width over which light fades towards the rim of what is lit, degrees; 0: it ends at once.
    pupil_mm : (3,) float array or None
        Where the weights are for, mm; None: for direction alone, whatever is lit.
    """

    reaches: tuple[ChannelReach, ...]
    feather_deg: float
    widest_feather_deg: float
    origin_deg: FloatArray
    inside: FloatArray
    claim: FloatArray
    lights: tuple[ChannelLight, ...] = ()
    pupils_mm: FloatArray | None = None
    edge_deg: float = 0.0
    pupil_mm: FloatArray | None = None

    def __repr__(self) -> str:
        view = field_of_view(self.reaches)
        joined = (
            "one channel, no hand-over"
            if len(self.reaches) < 2
            else f"feather {self.feather_deg:.3g} degrees"
        )
        return (
            f"<Seam of {', '.join(self.channels)}: {joined}, "
            f"field of view {view.horizontal_deg:.1f} x {view.vertical_deg:.1f} degrees>"
        )

    @property
    def channels(self) -> tuple[str, ...]:
        """Names, in the order of the first axis of `weights`."""
        return tuple(reach.channel for reach in self.reaches)

    def index(self, channel: str, /) -> int:
        """Return the place of a channel along the first axis of `weights`."""
        if channel not in self.channels:
            raise SeamError(f"channel '{channel}' is not in this seam; it joins {', '.join(self.channels)}.")
        return self.channels.index(channel)

    def at(self, tracked_pupil_mm: ArrayLike, /) -> "Seam":
        """Return the seam for a tracked pupil (3,), mm: the same shares, of what is lit from there."""
        return replace(self, pupil_mm=as_pupil(tracked_pupil_mm, "tracked_pupil_mm").reshape(3))

    def weights(self, tangent: ArrayLike, /) -> FloatArray:
        """Return the share of linear light of each channel.

        Parameters
        ----------
        tangent : (..., 2) float array
            Viewing directions, tangents, eye frame.

        Returns
        -------
        (channels, ...) float array
            Between 0 and 1; they add up to 1 (to 1e-15) over the union of the reaches, and a channel's weight
            is 0 wherever another serves a direction and it does not. Beyond the union, which a panel can show
            from some pupil positions only, the channel keeps the share that it has at the nearest border;
            further out, past the line of a border where light is handed over, and where `tangent` is NaN,
            weights are 0.
        """
        shares = self.shares(tangent)
        if self.pupil_mm is None or not self.lights:
            return shares
        depth = self.depth_deg(tangent)
        return np.asarray(shown_weights(shares, depth, edge_deg=self.edge_deg), dtype=np.float64)

    def depth_deg(self, tangent: ArrayLike, /) -> FloatArray:
        """Return how far inside the part that each channel shows in white directions lie, degrees.

        Shape (channels, ...); for the seam of a pupil (`at`), else infinite. See `ChannelLight.depth_deg`.
        """
        tangent = as_tangent(tangent)
        if self.pupil_mm is None or not self.lights:
            return np.full((len(self.reaches), *tangent.shape[:-1]), np.inf)
        return np.stack(
            [
                light.depth_deg(tangent, pupil_mm=self.pupil_mm, margin_spacings=SHOWN_MARGIN_SPACINGS)
                for light in self.lights
            ]
        )

    def shares(self, tangent: ArrayLike, /) -> FloatArray:
        """Return the share of light of each channel by direction alone, whatever is lit; see `weights`."""
        tangent = as_tangent(tangent)
        known = np.all(np.isfinite(tangent), axis=-1)
        inside, claim = self._distances(np.where(known[..., None], tangent, 0.0))
        served = inside > 0.0
        somewhere = served.any(axis=0)
        share = np.where(served | ~somewhere, quintic_smoothstep(claim / self.feather_deg), 0.0)
        total = share.sum(axis=0)
        # Where two borders of the seam cross, all shares are 0: those who serve the direction share alike.
        alike = served / np.maximum(served.sum(axis=0), 1)
        weights = np.where(total > 0.0, share / np.where(total > 0.0, total, 1.0), alike)
        return np.where(known, weights, 0.0)

    def served(self, tangent: ArrayLike, /) -> BoolArray:
        """Return, per channel (channels, ...), whether directions are served.

        From every pupil position that the seam was made for; of the seam of one pupil (`at`), from there.
        """
        tangent = as_tangent(tangent)
        if self.pupil_mm is not None and self.lights:
            return np.stack([one.depth_deg(tangent, pupil_mm=self.pupil_mm) > 0.0 for one in self.lights])
        served = np.stack([reach.contains(tangent) for reach in self.reaches])
        for place, light in enumerate(self.lights):
            if light.has_dark and self.pupils_mm is not None:
                for pupil in self.pupils_mm:
                    own = served[place]
                    own[own] = light.depth_deg(tangent[own], pupil_mm=pupil) > 0.0
        return served

    def plot(self, *, title: str = "") -> "Figure":
        """Return a matplotlib figure of reaches and hand-over; see `prewarp.report.seam_map.seam_figure`."""
        from prewarp.report.seam_map import seam_figure

        return seam_figure(self, title=title)

    def _distances(self, tangent: FloatArray) -> tuple[FloatArray, FloatArray]:
        place = ((plane_deg_from_tangent(tangent) - self.origin_deg) / LATTICE_STEP_DEG).reshape(-1, 2)
        rows, columns = self.inside.shape[1:]
        where = [np.clip(place[:, 1], 0, rows - 1), np.clip(place[:, 0], 0, columns - 1)]
        inside, claim = (
            np.stack(
                [map_coordinates(table, where, order=3, prefilter=False, mode="mirror") for table in tables]
            ).reshape(len(tables), *tangent.shape[:-1])
            for tables in (self.inside, self.claim)
        )
        return inside, claim


def build_seam(
    fields: "FieldSet",
    /,
    *,
    pupils_mm: ArrayLike,
    channels: Sequence[str] | None = None,
    feather_deg: float | None = None,
    edge_deg: float = 0.0,
    lights: Sequence[ChannelLight] | None = None,
) -> Seam:
    """Join the channels of one eye: reaches over the eye box, and blend weights fixed in direction.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours; a direction is served when every colour serves it.
    pupils_mm : (3,) or (n, 3) float array
        Pupil positions, mm; the corners of the eye box keep the seam from crawling while the pupil moves in
        it.
    channels : sequence of str, optional
        The channels to join (those of one eye); all of `fields` if not given.
    feather_deg : float, optional
        Width of the hand-over, degrees; the widest that fits the tightest overlap if not given.
    edge_deg : float
        Width over which light fades towards the rim of what is lit, degrees.
    lights : sequence of ChannelLight, optional
        Where each channel is lit, if not as `fields` say.

    Returns
    -------
    Seam
        Channels that leave a gap are joined all the same: there is a hole (`prewarp.seam.gaps`).

    Raises
    ------
    SeamError
        The feather is wider than the overlap.

    References
    ----------
    Quintic smoothstep and partition of unity: common practice.
    """
    names = tuple(fields.channels if channels is None else channels)
    return join_reaches(
        reaches_of(fields, names, pupils_mm=pupils_mm),
        feather_deg=feather_deg,
        edge_deg=edge_deg,
        lights=channel_lights(fields, names) if lights is None else lights,
        pupils_mm=as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3),
    )


def join_reaches(
    reaches: Sequence[ChannelReach],
    /,
    *,
    feather_deg: float | None = None,
    edge_deg: float = 0.0,
    lights: Sequence[ChannelLight] = (),
    pupils_mm: FloatArray | None = None,
) -> Seam:
    """Return the seam of reaches already known, those from `pupils_mm`; see `build_seam`."""
    reaches = tuple(reaches)
    require_range(edge_deg, "edge_deg", 0.0, 45.0, unit="degrees", error=SeamError)
    pairs = _overlapping_pairs(reaches)
    origin, tangent = direction_lattice(
        [reach.outline for reach in reaches], step_deg=LATTICE_STEP_DEG, margin_deg=LATTICE_MARGIN_DEG
    )
    inside = np.stack([reach.signed_distance_deg(tangent) for reach in reaches])
    claim = np.stack(
        [
            _claim(reach, distance, tangent, [reaches[other] for other in _partners(index, pairs)])
            for index, (reach, distance) in enumerate(zip(reaches, inside, strict=True))
        ]
    )
    claim = np.stack([_rounded(table) for table in claim])
    widest = min((_widest_feather(inside, claim, a, b) for a, b in pairs), default=LATTICE_STEP_DEG)
    if feather_deg is None:
        feather_deg = widest
    elif pairs and feather_deg > widest:
        raise SeamError(
            f"feather is {feather_deg:g} degrees; the tightest overlap of "
            f"{', '.join(r.channel for r in reaches)} takes at most {widest:.2f}. Ask for less or widen "
            "the overlap.",
            widest_deg=widest,
        )
    require_range(feather_deg, "feather_deg", 1e-3, 90.0, unit="degrees", error=SeamError)
    held_inside, held_claim = (
        np.stack([spline_filter(table, order=3, mode="mirror") for table in tables])
        for tables in (inside, claim)
    )
    return Seam(
        reaches,
        float(feather_deg),
        float(widest),
        origin,
        held_inside,
        held_claim,
        lights=tuple(lights),
        pupils_mm=pupils_mm,
        edge_deg=float(edge_deg),
    )


def _claim(
    reach: ChannelReach, inside: FloatArray, tangent: FloatArray, others: Sequence[ChannelReach]
) -> FloatArray:
    """Distance to the shared part of the outline, continued without a jump to directions outside the reach.

    Outside, the excess over the nearest border point is what is left: beyond a shared border that is minus
    the distance, beyond an outer border the value at the border, falling.
    """
    middles = reach.segment_middles
    shared = np.zeros(len(middles), dtype=bool)
    for other in others:
        shared |= other.contains(middles)
    to_shared = np.minimum(reach.distance_deg(tangent, segments=shared), _UNCONTESTED_DEG)
    outside = np.maximum(inside, to_shared + 2.0 * inside)
    free = to_shared == _UNCONTESTED_DEG
    return np.where((inside > 0.0) | free, to_shared, outside)


def _rounded(claim: FloatArray) -> FloatArray:
    """Return a claim (rows, columns), degrees, with its kinks rounded well inside the reach.

    Kinks are where the nearest side changes. At the shared border it stays what it is, so that weights still
    begin and end there.
    """
    smooth = gaussian_filter(claim, ROUNDING_DEG / LATTICE_STEP_DEG, mode="nearest")
    return claim + quintic_smoothstep(claim / (4.0 * ROUNDING_DEG) - 0.5) * (smooth - claim)


def _overlapping_pairs(reaches: Sequence[ChannelReach]) -> list[tuple[int, int]]:
    count = len(reaches)
    return [
        (a, b)
        for a in range(count)
        for b in range(a + 1, count)
        if reaches[a].contains(reaches[b].segment_middles).any()
        or reaches[b].contains(reaches[a].segment_middles).any()
    ]


def _partners(index: int, pairs: Sequence[tuple[int, int]]) -> Iterator[int]:
    return (b if a == index else a for a, b in pairs if index in (a, b))


def _widest_feather(inside: FloatArray, claim: FloatArray, a: int, b: int) -> float:
    both = (inside[a] > 0.0) & (inside[b] > 0.0)
    return float(max(2.0 * np.max(np.minimum(claim[a], claim[b]), where=both, initial=0.0), 1e-3))
