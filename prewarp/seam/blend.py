"""Blend weights across the seam, fixed in direction over the eye box; and what of them is lit from a pupil.

w_c = lit_c (r_c + s) / sum_k lit_k (r_k + s), r_c the claim of channel c to a direction
(`prewarp.seam.claims`), the same from every pupil, s a small claim that every channel has wherever it is lit.
Seen from a pupil position (`Seam.at`) a channel is lit where every colour of it is. Where no channel is lit
there is a hole, and all weights are 0. Weights multiply linear light, never encoded values.

Claims are made from `b_c(t) = q(d_c / f) / sum_k q(d_k / f)` with q the quintic smoothstep and f the feather.
d_c is the angle from t to the part of channel c's outline that other channels cover: only there is light
handed over. (Measured to the whole outline, d would also fall to zero at the outer border, where all channels
do so together, and the ramp would shrink to nothing towards the ends of the seam.) Where outlines cross, b_c
jumps; claims are b_c rounded over half a degree, so that no weight changes by more than 1 per degree unless a
feather asks for it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.checks import BoolArray, FloatArray, as_pupil, as_tangent, require_range
from prewarp.errors import SeamError
from prewarp.seam.claims import ClaimLattice, fitted_claims
from prewarp.seam.directions import direction_lattice
from prewarp.seam.light import ChannelLight, channel_lights
from prewarp.seam.reach import ChannelReach, field_of_view, reaches_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from prewarp.field import FieldSet

# Distances are measured on a lattice of directions with this pitch.
LATTICE_STEP_DEG = 0.25
LATTICE_MARGIN_DEG = 2.0
# A claim that a channel keeps wherever it is lit, so that it serves alone where others are dark.
LEAST_CLAIM = 0.002
# White ends so many dot spacings inside the border of what is lit, which is known to about as much.
SHOWN_MARGIN_SPACINGS = 0.1
# Claim of a channel that shares no outline with another: far more than any feather.
_UNCONTESTED_DEG = 180.0


def quintic_smoothstep(x: ArrayLike, /) -> FloatArray:
    """Return 6 x^5 - 15 x^4 + 10 x^3, clipped to 0 below 0 and 1 above 1; r(x) + r(1 - x) = 1."""
    share: FloatArray = np.clip(np.asarray(x, dtype=np.float64), 0.0, 1.0)
    return share * share * share * (share * (6.0 * share - 15.0) + 10.0)


def shown_weights(
    claims: NDArray[np.floating], depth_deg: NDArray[np.floating], /, *, edge_deg: float = 0.0
) -> NDArray[np.floating]:
    """Return the share of light of each channel (channels, ...) of those that are lit.

    Parameters
    ----------
    claims : (channels, ...) float array
        Claims by direction alone (`Seam.claims`), 0 or more.
    depth_deg : (channels, ...) float array
        How far inside what each channel shows the direction lies, degrees; above 0 is lit.
    edge_deg : float
        Light fades over so many degrees towards the rim of what any channel shows.

    Notes
    -----
    w_c = lit_c (r_c + s) / sum_k lit_k (r_k + s), s = `LEAST_CLAIM`; times the quintic smoothstep of the
    largest depth over `edge_deg`. All 0 where none is lit.
    """
    own = np.where(depth_deg > 0.0, claims + np.asarray(LEAST_CLAIM, dtype=claims.dtype), 0.0)
    total = own.sum(axis=0)
    weights = own / np.where(total > 0.0, total, 1.0)
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
    claims : ClaimLattice
        What each channel asks for, by direction.
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
    claims: ClaimLattice
    lights: tuple[ChannelLight, ...] = ()
    pupils_mm: FloatArray | None = None
    edge_deg: float = 0.0
    pupil_mm: FloatArray | None = None

    def __repr__(self) -> str:
        view = field_of_view(self.reaches)
        joined = (
            "one channel, no blend" if len(self.reaches) < 2 else f"feather {self.feather_deg:.3g} degrees"
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
            Between 0 and 1; they add up to 1 (to 1e-15) wherever a channel is lit from the pupil (`at`), or
            without one everywhere: over the channels that serve a direction from every pupil position, and
            where none does, by claims alone. 0 where `tangent` is not finite.
        """
        if self.pupil_mm is None or not self.lights:
            return self.shares(tangent)
        return self.weights_among(tangent, self.depth_deg(tangent))

    def weights_among(self, tangent: ArrayLike, depth_deg: FloatArray, /) -> FloatArray:
        """Return the shares (channels, ...) of channels lit `depth_deg` inside; see `shown_weights`."""
        claims = self.claims.at(tangent)
        known = np.isfinite(claims)
        weights = shown_weights(
            np.where(known, claims, 0.0), np.where(known, depth_deg, -1.0), edge_deg=self.edge_deg
        )
        return np.asarray(weights, dtype=np.float64)

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
        served = self._always_served(as_tangent(tangent))
        return self.weights_among(tangent, np.where(served, np.inf, -1.0))

    def _always_served(self, tangent: FloatArray) -> BoolArray:
        """Return which channels (channels, ...) serve from every pupil position; all where none does."""
        served = np.stack([reach.contains(tangent) for reach in self.reaches])
        return served | ~served.any(axis=0)

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
    inside = np.stack([reach.contains(tangent) for reach in reaches])
    # Who serves a direction alone has all of its light, so distances count only where several do.
    contested = inside & (inside.sum(axis=0) > 1)
    claim = np.zeros(inside.shape)
    for index, reach in enumerate(reaches):
        others = [reaches[other] for other in _partners(index, pairs)]
        claim[index, contested[index]] = _claim(reach, tangent[contested[index]], others)
    widest = min((_widest_feather(inside, claim, a, b) for a, b in pairs), default=LATTICE_STEP_DEG)
    if feather_deg is None:
        feather_deg = widest
    elif pairs and feather_deg > widest:
        raise SeamError(
            f"feather is {feather_deg:g} degrees; the tightest overlap of "
            f"{', '.join(r.channel for r in reaches)} takes at most {widest:.2f}. Ask for less "
            "(--feather) or widen the overlap.",
            widest_deg=widest,
        )
    require_range(feather_deg, "feather_deg", 1e-3, 90.0, unit="degrees", error=SeamError)
    claims = fitted_claims(
        _shares(inside, claim / feather_deg),
        np.any(inside, axis=0),
        origin_deg=origin,
        step_deg=LATTICE_STEP_DEG,
        feather_deg=feather_deg,
    )
    return Seam(
        reaches,
        float(feather_deg),
        float(widest),
        claims,
        lights=tuple(lights),
        pupils_mm=pupils_mm,
        edge_deg=float(edge_deg),
    )


def _claim(reach: ChannelReach, tangent: FloatArray, others: Sequence[ChannelReach]) -> FloatArray:
    """Return the distance of directions (n, 2) in the reach to the part of its outline that others share."""
    middles = reach.segment_middles
    shared = np.zeros(len(middles), dtype=bool)
    for other in others:
        shared |= other.contains(middles)
    return np.minimum(reach.distance_deg(tangent, segments=shared), _UNCONTESTED_DEG)


def _shares(inside: BoolArray, ramp: FloatArray) -> FloatArray:
    """Return b_c at the nodes, (channels, rows, columns), from who serves them and d_c / f."""
    share = np.where(inside, quintic_smoothstep(ramp), 0.0)
    total = share.sum(axis=0)
    # Where one serves alone, or two borders of the seam cross: those who serve the direction share alike.
    alike = inside / np.maximum(inside.sum(axis=0), 1)
    return np.where(total > 0.0, share / np.where(total > 0.0, total, 1.0), alike)


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


def _widest_feather(inside: BoolArray, claim: FloatArray, a: int, b: int) -> float:
    both = inside[a] & inside[b]
    return float(max(2.0 * np.max(np.minimum(claim[a], claim[b]), where=both, initial=0.0), 1e-3))
