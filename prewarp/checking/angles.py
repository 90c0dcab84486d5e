"""Directions that were written as azimuth and elevation of a goniometer instead of projected angles.

dir_x_deg = atan(X / Z) and dir_y_deg = atan(Y / Z). With elevation above a turned vertical plane,
(X, Y, Z) = (sin a cos e, sin e, cos a cos e): tan dir_x = tan a, tan dir_y = tan e / cos a; where the other
axis carries the first, x and y change places. Straight ahead and along the axes both are the same.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from prewarp.checking.curl_share import Share, pooled
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import BoolArray, FloatArray
from prewarp.frames import arcmin_between

# Converted, at most this share of a curl that stands out may be left beyond what is explained.
_EXPLAINS = 0.3
# There must be so many sigma more of the pattern than none, and a channel may differ from all of it by so
# much and so many sigma: a model that does not follow the map changes the share a little.
_LEAST_SIGMA, _OFF, _OFF_SIGMA = 5.0, 0.25, 4.0


def tangent_from_goniometer(tangent: FloatArray, /, *, inner: int) -> FloatArray:
    """Return true tangents (..., 2) of angles taken for projected ones, given as their tangents (..., 2).

    `inner` 1: elevation is measured in the plane that azimuth turns; 0: the other way round.
    """
    result = np.array(tangent, dtype=np.float64)
    result[..., inner] *= np.sqrt(1.0 + tangent[..., 1 - inner] ** 2)
    return result


_CAUSES = (
    (1, "dir_x_deg and dir_y_deg are azimuth and elevation", "tan dir_y = tan elevation / cos azimuth"),
    (
        0,
        "dir_y_deg is carried by an elevation axis, dir_x_deg turns on it",
        "tan dir_x = tan dir_x / cos dir_y",
    ),
)
# Both orders of rotation, as functions that give true tangents.
GONIOMETERS: tuple[Callable[[FloatArray], FloatArray], ...] = tuple(
    partial(tangent_from_goniometer, inner=inner) for inner, _, _ in _CAUSES
)


def angles_findings(
    samples: Samples,
    shares: Mapping[int, Sequence[Share]],
    coarser: Callable[[int], Sequence[Share]],
    curls: Mapping[int, tuple[float, float]],
    measured: Callable[[Samples, int], tuple[float, float] | None],
) -> Iterator[Finding]:
    """Yield a finding where angles of a goniometer explain the curl: of the whole grid, or of channels.

    Parameters
    ----------
    samples : Samples
    shares : mapping
        By pair how much of each of `GONIOMETERS` is in its curl.
    coarser : function
        The same for a pair by a coarser model: what the two differ by beyond noise is their misfit.
    curls : mapping
        By pair curls that stand out, and what of them is explained, arcmin per mm.
    measured : function
        The same for a pair of other samples.
    """
    colours = len(samples.grid.colour_names)
    channels: dict[int, list[int]] = {}
    for pair in sorted(shares):
        channels.setdefault(pair // colours, []).append(pair)
    whole = _cause(samples, list(channels.values()), shares, coarser, curls, measured)
    if whole is not None:
        yield _told(samples, whole, np.ones(len(samples.pair), dtype=bool), None)
        return
    for channel, pairs in channels.items() if len(channels) > 1 else ():
        alone = _cause(samples, [pairs], shares, coarser, curls, measured)
        if alone is not None:
            own = samples.pair // colours == channel
            yield _told(samples, alone, own, samples.channel_of(pairs[0]))


@dataclass(frozen=True)
class _Cause:
    """Which of `_CAUSES` it is, and how much of its pattern the curl holds."""

    number: int
    share: Share


def _cause(
    samples: Samples,
    channels: Sequence[Sequence[int]],
    shares: Mapping[int, Sequence[Share]],
    coarser: Callable[[int], Sequence[Share]],
    curls: Mapping[int, tuple[float, float]],
    measured: Callable[[Samples, int], tuple[float, float] | None],
) -> _Cause | None:
    """Return the cause of the curl of some channels, pairs each, if it is angles of a goniometer."""
    pairs = [pair for channel in channels for pair in channel]
    if not pairs:
        return None

    def together(some: Mapping[int, Sequence[Share]], number: int) -> Share:
        return pooled([some[pair][number] for pair in pairs])

    both = [together(shares, number) for number in range(len(_CAUSES))]
    number = int(np.argmax([one.from_none**2 - one.from_all**2 for one in both]))
    share = both[number]
    if not _is_all(share) or not all(
        _is_near(pooled([shares[pair][number] for pair in channel])) for channel in channels
    ):
        return None
    other = together({pair: coarser(pair) for pair in pairs}, number)
    misfit = (share.value - other.value) ** 2 - abs(other.sigma**2 - share.sigma**2)
    share = replace(share, sigma=float(np.sqrt(share.sigma**2 + max(misfit, 0.0))))
    if not _is_all(share):
        return None
    turned = _with_tangents(samples, GONIOMETERS[number](samples.tangent))
    left = []
    for pair in set(pairs) & set(curls):
        (curl, explained), again = curls[pair], measured(turned, pair)
        if again is None:
            return None
        left.append(max(again[0] ** 2 - again[1] ** 2, 0.0) / max(curl**2 - explained**2, 1e-300))
    return None if left and np.sqrt(np.mean(left)) > _EXPLAINS else _Cause(number, share)


def _is_all(share: Share) -> bool:
    return share.from_none > _LEAST_SIGMA and _is_near(share)


def _is_near(share: Share) -> bool:
    return abs(1.0 - share.value) < _OFF + _OFF_SIGMA * share.sigma


def _told(samples: Samples, cause: _Cause, own: BoolArray, channel: str | None) -> Finding:
    _, text, formula = _CAUSES[cause.number]
    turned = GONIOMETERS[cause.number](samples.tangent[own])
    worst_deg = float(arcmin_between(samples.tangent[own], turned).max()) / 60.0
    share = cause.share
    return finding(
        "angles",
        "error",
        f"{text} of a goniometer, not projected angles: the curl over the pupil holds {share.value:.2f} of "
        f"what these make (0 if projected, 1-sigma {share.sigma:.2g}, {share.from_none:.2g} sigma from 0); "
        f"directions are up to {worst_deg:.2g} degrees off.",
        f"Write projected angles, atan(X/Z) and atan(Y/Z): {formula}; then check again.",
        channel=channel,
        rows=samples.row[own],
        size=(worst_deg, "degrees"),
    )


def _with_tangents(samples: Samples, tangent: FloatArray) -> Samples:
    return replace(samples, tangent=tangent)
