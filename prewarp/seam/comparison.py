"""What each blend policy uses and loses, in figures: overlap used, crawl, field lost, steepest hand-over."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import BoolArray, FloatArray, as_pupil
from prewarp.errors import SeamError
from prewarp.frames import tangent_from_cosine, unit_from_tangent
from prewarp.seam.blend import Seam
from prewarp.seam.directions import direction_lattice, node_areas_deg2, plane_deg_from_tangent
from prewarp.seam.light import channel_lights
from prewarp.seam.policies import BlendPolicy
from prewarp.seam.survey import neighbours

if TYPE_CHECKING:
    from prewarp.field import FieldSet

STEP_DEG = 0.25
_MARGIN_DEG = 0.5
# A direction counts as handed over where no channel has more than this share of its light.
_ALL = 0.999
# Half steps over which weights are differenced, degrees.
_HALF_STEP_DEG = 0.02


@dataclass(frozen=True)
class PolicyFigures:
    """One policy over the eye box; worst over all pupil positions unless a name says otherwise.

    `overlap_used_percent`: mean share of the doubly shown field over which light is handed over;
    `feather_deg`: narrowest and widest; `crawl_arcmin_per_mm`: how fast the line of equal shares moves over
    the content, the 95th percentile and the largest; `field_lost_deg2`, `field_lost_percent`: light-weighted
    solid angle that a panel could show and the policy leaves dark, and the pupil where it is worst;
    `surplus`: largest excess of the sum of shares over 1 (0: nothing is shown twice too bright);
    `gradient_p95_per_deg`, `gradient_max_per_deg`: change of a weight, 95th percentile over the hand-over and
    steepest; the steepest sits where two outlines cross, at the ends of the seam, and is rounded over about a
    quarter of a degree.
    """

    policy: str
    overlap_used_percent: float
    feather_deg: tuple[float, float]
    crawl_p95_arcmin_per_mm: float
    crawl_max_arcmin_per_mm: float
    field_lost_deg2: float
    field_lost_percent: float
    field_lost_pupil_mm: tuple[float, float, float]
    surplus: float
    gradient_p95_per_deg: float
    gradient_max_per_deg: float

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        return {
            "policy": self.policy,
            "overlap_used_percent": self.overlap_used_percent,
            "feather_least_deg": self.feather_deg[0],
            "feather_most_deg": self.feather_deg[1],
            "crawl_p95_arcmin_per_mm": self.crawl_p95_arcmin_per_mm,
            "crawl_max_arcmin_per_mm": self.crawl_max_arcmin_per_mm,
            "field_lost_deg2": self.field_lost_deg2,
            "field_lost_percent": self.field_lost_percent,
            "field_lost_pupil_mm": list(self.field_lost_pupil_mm),
            "surplus_percent": 100.0 * self.surplus,
            "gradient_p95_per_deg": self.gradient_p95_per_deg,
            "gradient_max_per_deg": self.gradient_max_per_deg,
        }


def policy_figures(
    name: str,
    blend: BlendPolicy,
    fields: "FieldSet",
    /,
    *,
    pupils_mm: ArrayLike,
) -> PolicyFigures:
    """Measure a blend policy.

    Parameters
    ----------
    name : str
        For the report.
    blend : BlendPolicy
        A `Seam` or a `FollowingBlend`.
    fields : FieldSet
        All channels and colours.
    pupils_mm : (n, 3) float array
        Positions over the eye box, mm; crawl is read between each and its nearest others.

    Raises
    ------
    SeamError
        One channel alone, fewer than two positions, or channels that cannot be joined from one (says where
        and how much).
    """
    if len(blend.channels) < 2:
        raise SeamError(
            f"channel '{blend.channels[0]}' stands alone: there is no seam, so nothing to blend or compare. "
            "Join it with a channel of the same eye."
        )
    pupils = as_pupil(pupils_mm, "pupils_mm").reshape(-1, 3)
    if len(pupils) < 2:
        raise SeamError(
            f"pupils_mm holds {len(pupils)} position; crawl needs 2 or more. Give a lattice over the eye box."
        )
    seams = [blend.at(pupil) for pupil in pupils]
    lights = channel_lights(fields, blend.channels)
    outlines = [light.outline(pupil).outline for light in lights for pupil in pupils]
    _, tangent = direction_lattice(outlines, step_deg=STEP_DEG, margin_deg=_MARGIN_DEG)
    plane = plane_deg_from_tangent(tangent)
    area = node_areas_deg2(plane, STEP_DEG)
    weights = np.stack([seam.shares(tangent) for seam in seams])
    shows = np.stack([seam.served(tangent) for seam in seams])
    shown = np.sum(np.stack([seam.weights(tangent) for seam in seams]) * shows, axis=1)
    reached = shows.any(axis=1)
    lost = np.sum(area * np.where(reached, 1.0 - np.minimum(shown, 1.0), 0.0), axis=(1, 2))
    whole = np.sum(area * reached, axis=(1, 2))
    double = shows.sum(axis=1) >= 2
    handed = double & (weights.max(axis=1) < _ALL)
    used = np.sum(area * handed, axis=(1, 2)) / np.maximum(np.sum(area * double, axis=(1, 2)), 1e-9)
    worst = int(np.argmax(lost / whole))
    crawl = _crawl(seams, weights, plane, shows, pupils)
    slopes = [
        weight_gradient_per_deg(seam, tangent[near], lit=lit[:, near])
        for seam, own, lit in zip(seams, weights, shows, strict=True)
        for near in [_handed_over(own)]
    ]
    gradient = np.concatenate([np.zeros(1), *slopes])
    feathers = [seam.feather_deg for seam in seams]
    return PolicyFigures(
        name,
        float(100.0 * used.mean()),
        (min(feathers), max(feathers)),
        float(np.quantile(crawl, 0.95)),
        float(crawl.max()),
        float(lost[worst]),
        float(100.0 * lost[worst] / whole[worst]),
        tuple(pupils[worst].tolist()),
        float(max(shown.max() - 1.0, 0.0)) if shown.max() > 1.0 + 1e-9 else 0.0,
        float(np.quantile(gradient, 0.95)),
        float(gradient.max()),
    )


def weight_gradient_per_deg(
    seam: Seam, tangent: FloatArray, /, *, lit: BoolArray | None = None
) -> FloatArray:
    """Return the steepest change of any weight in directions (n, 2), per degree on the sphere.

    Of the channels that are lit there, `lit` (channels, n), or else of those that serve the direction: where
    the set of lit channels changes, a weight steps.
    """
    if lit is None:
        lit = seam.shares(tangent) > 0.0
    depth = np.where(lit, np.inf, -1.0)
    by_axis = []
    for axis in range(2):
        ahead, behind = (_stepped(tangent, axis, sign * _HALF_STEP_DEG) for sign in (1.0, -1.0))
        rise = seam.weights_among(ahead, depth) - seam.weights_among(behind, depth)
        by_axis.append(rise / (2.0 * _HALF_STEP_DEG))
    return np.asarray(np.sqrt(np.sum(np.square(by_axis), axis=0)).max(axis=0))


def _handed_over(weights: FloatArray) -> np.ndarray:
    """Return where light is handed over, (rows, columns), for weights (channels, rows, columns)."""
    return np.asarray(np.any((weights > 1.0 - _ALL) & (weights < _ALL), axis=0))


def _stepped(tangent: FloatArray, axis: int, step_deg: float) -> FloatArray:
    """Return directions (..., 2) turned by a small angle to the right (axis 0) or up (1)."""
    forward = unit_from_tangent(tangent)
    right = np.stack([forward[..., 2], np.zeros(forward.shape[:-1]), -forward[..., 0]], axis=-1)
    right /= np.linalg.norm(right, axis=-1, keepdims=True)
    side = right if axis == 0 else np.cross(forward, right)
    turned = np.cos(np.radians(step_deg)) * forward + np.sin(np.radians(step_deg)) * side
    return tangent_from_cosine(turned[..., :2])


def _crawl(
    seams: Sequence[Seam], weights: FloatArray, plane: FloatArray, shows: np.ndarray, pupils: FloatArray
) -> FloatArray:
    """Return speeds (k,) of the lines of equal share over the content along rows, arcmin per mm."""
    speeds = [np.zeros(1)]
    lines = {}
    for one in range(len(pupils)):
        distance = np.linalg.norm(pupils - pupils[one], axis=1)
        near = np.flatnonzero((distance > 1e-9) & (distance <= distance[distance > 1e-9].min() * 1.0001))
        for other in near[near > one]:
            if seams[one].claims is seams[other].claims:
                continue
            for a, b in neighbours(seams[one].reaches):
                pair = seams[one].index(a.channel), seams[one].index(b.channel)
                for number in (one, other):
                    if (number, pair) not in lines:
                        lines[number, pair] = _equal_share(
                            weights[number][list(pair)], shows[number][list(pair)], plane, a.middle, b.middle
                        )
                step = np.abs(lines[one, pair] - lines[other, pair]) / distance[other]
                speeds.append(60.0 * step[np.isfinite(step)])
    return np.concatenate(speeds)


def _equal_share(
    weights: FloatArray, shows: np.ndarray, plane: FloatArray, middle: FloatArray, other: FloatArray
) -> FloatArray:
    """Return the place of equal shares, degrees, per row (column, if one is above the other); NaN without."""
    across = int(np.argmax(np.abs(other - middle)))
    difference = weights[0] - weights[1]
    both = np.all(shows, axis=0)
    place = plane[..., across]
    if across == 1:
        difference, both, place = difference.T, both.T, place.T
    turns = (difference[:, :-1] > 0.0) != (difference[:, 1:] > 0.0)
    turns &= both[:, :-1] & both[:, 1:]
    row, found = np.arange(len(turns)), np.argmax(turns, axis=1)
    before, after = difference[row, found], difference[row, found + 1]
    share = before / np.where(turns.any(axis=1), before - after, 1.0)
    result = place[row, found] + share * (place[row, found + 1] - place[row, found])
    return np.where(turns.any(axis=1), result, np.nan)
