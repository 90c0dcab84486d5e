"""Registration: the turns that bring seam pairs together, with intervals, and what stays unfixed."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import BoolArray, FloatArray, finite_rows, nearest_name
from prewarp.errors import SeamError
from prewarp.field.mount import Mount
from prewarp.registration.model import SCALE, TURNS, PairModel, own_fields
from prewarp.registration.pairs import SeamPairs
from prewarp.registration.redundancy import (
    LEAST_FREEDOM,
    LEAST_NOISE_ARCMIN,
    alone,
    solve,
)
from prewarp.registration.result import Parameter, RegistrationResult
from prewarp.registration.search import Search

if TYPE_CHECKING:
    from prewarp.field import FieldSet

# A parameter whose 95 % interval is wider than 1.96 times this, each way, counts as not fixed: at the end of
# a seam of 30 degrees 0.1 degree about the line of sight moves the picture by 1.6 arcmin, 0.5 per cent of
# scale by 5.
WEAKEST = {**dict.fromkeys(TURNS, 0.1), SCALE: 0.5}
# What a normal law keeps within 95 %, each way.
_NORMAL_975 = 1.959964


def register_channels(
    fields: "FieldSet",
    pairs: SeamPairs,
    /,
    *,
    reference: str | None = None,
    scale: bool = False,
    hold: Sequence[str] = (),
) -> RegistrationResult:
    """Find how the channels are turned against a reference channel, from seam pairs.

    Minimises the mismatch R_a f_a(p_a, R_a^T e) - R_b f_b(p_b, R_b^T e) over rotations R_c about the eye-box
    centre, by Gauss-Newton steps. Robust weights (Huber's, then a redescending one) point at suspects; a pair
    is left out only where the others say that it is wrong (`prewarp.registration.redundancy`). All colours of
    a channel turn together.

    Parameters
    ----------
    fields : FieldSet
        Mounts that it has already are the start, and are replaced in the result.
    pairs : SeamPairs
    reference : str, optional
        Channel that stays as it is; the first of the fit that has pairs if not given. Pairs say how channels
        lie to each other, never how all of them lie to the eye.
    scale : bool
        Also look for a magnification of each channel about the middle of its panel.
    hold : sequence of str
        Parameters that stay 0: of turn_x_deg, turn_y_deg, turn_z_deg, scale_percent.

    Returns
    -------
    RegistrationResult
        `unfixed` names what the pairs cannot fix; such parameters take the smallest change that agrees with
        the pairs.

    Raises
    ------
    GridError
        A pair has a channel or colour that the fit has not, or a point off the panel.
    SeamError
        Too few pairs for anything to check them, or a channel that no chain of pairs joins to the reference.

    Notes
    -----
    Noise s from the squares left over f = 2 n - p degrees of freedom. With s estimated, the parameters follow
    Student's law of f degrees: 95 % intervals t(f) s sqrt(N), N = (J^T J)^-1, and covariance f / (f - 2) s^2
    N. Scale and the turn about y are nearly one for a narrow seam far from the panel's middle: the
    covariance tells.

    References
    ----------
    Student (W. S. Gosset), Biometrika 6 (1908) 1; Huber's weight with k = 1.345: P. J. Huber, Ann. Math.
    Statist. 35 (1964) 73, both from memory; 95 % efficiency is common practice.
    """
    known = (*TURNS, SCALE)
    for name in hold:
        if name not in known:
            raise SeamError(
                f"hold is '{name}'; expected some of {', '.join(known)}.{nearest_name(name, known)}"
            )
    if len(pairs) == 0:
        raise SeamError(f"{pairs.source}: no pairs. Measure points that two channels both show.")
    pairs.require_on_panels(
        {name: next(iter(fields.fields_of(name).values())).panel_size_px for name in fields.channels},
        fields.colours,
    )
    present = [name for name in fields.channels if name in pairs.channels]
    reference = present[0] if reference is None else reference
    _require_joined(pairs, present, reference)
    wanted = [name for name in (*TURNS, *((SCALE,) if scale else ())) if name not in hold]
    free = tuple((channel, name) for channel in present if channel != reference for name in wanted)
    least = max((len(free) + LEAST_FREEDOM + 1) // 2, 3)
    if len(pairs) < least or not free:
        raise SeamError(
            f"{pairs.source}: {len(pairs)} pairs for {len(free)} parameters; expected at least {least} pairs "
            "(some must be left to check the others) and one parameter. Measure more pairs, or hold fewer "
            "parameters."
        )
    own, mounts = own_fields(fields, present)
    model = PairModel(own, pairs, free)
    before = model.mismatch_arcmin(mounts)
    pairs.refuse(~finite_rows(before), "the field has no direction for a panel point. Delete the row.")
    search = Search(model, np.median(pairs.sigma_arcmin) / pairs.sigma_arcmin)
    return _result(search, mounts, reference, before, *search.fit(mounts))


def _result(
    search: Search,
    start: Mapping[str, Mount],
    reference: str,
    before: FloatArray,
    mounts: Mapping[str, Mount],
    kept: BoolArray,
) -> RegistrationResult:
    model, pairs = search.model, search.model.pairs
    slopes, weighed = search.linear(mounts)
    found = solve(slopes, weighed, kept.astype(float))
    if found.freedom < LEAST_FREEDOM:
        raise SeamError(
            f"{pairs.source}: {int(kept.sum())} of {len(pairs)} pairs agree, too few to check each other. "
            "Measure more pairs, or hold fewer parameters."
        )
    noise, weakest = found.noise_arcmin, np.array([WEAKEST[name] for _, name in model.free])
    unit = np.where(found.unknown, np.inf, np.sqrt(np.diagonal(found.inverse)))
    half = _student(0.975, found.freedom)
    judged = unit * max(noise, LEAST_NOISE_ARCMIN) * half / _NORMAL_975
    single = alone(slopes, kept, weakest, max(noise, LEAST_NOISE_ARCMIN))
    sigma = unit * noise * np.sqrt(found.freedom / (found.freedom - 2.0))
    covariance = found.inverse * noise**2 * found.freedom / (found.freedom - 2.0)
    parameters = tuple(
        Parameter(
            channel,
            name,
            _value(mounts[channel], name),
            float(sigma[place]),
            bool(judged[place] <= weakest[place] and single[place] < 0),
            float(unit[place] * noise * half),
            int(pairs.row[single[place]]) if single[place] >= 0 and np.isfinite(unit[place]) else None,
        )
        for place, (channel, name) in enumerate(model.free)
    )
    plain = slopes / search.relative[:, None, None]
    at_pairs = np.sqrt(np.einsum("nip,pq,niq->n", plain, covariance, plain))
    unknown = found.unknown
    covariance = np.where(unknown[:, None] | unknown[None, :], np.inf, covariance)
    moved = {name: mounts[name] for name in start if name != reference}
    after = weighed / search.relative[:, None]
    return RegistrationResult(
        reference, moved, parameters, covariance, noise, before, after, ~kept, at_pairs, pairs
    )


def _student(share: float, freedom: int) -> float:
    # Slow to import; other commands start without it.
    from scipy.special import stdtrit

    return float(stdtrit(freedom, share))


def _value(mount: Mount, name: str) -> float:
    return 100.0 * (mount.scale - 1.0) if name == SCALE else mount.turn_deg[TURNS.index(name)]


def _require_joined(pairs: SeamPairs, present: Sequence[str], reference: str) -> None:
    if reference not in present:
        raise SeamError(
            f"reference channel '{reference}' has no pairs; those with pairs are {', '.join(present)}."
            + nearest_name(reference, present)
        )
    joined = {reference}
    links = set(zip(pairs.channel_a.tolist(), pairs.channel_b.tolist(), strict=True))
    links |= {(b, a) for a, b in links}
    while grown := {b for a, b in links if a in joined} - joined:
        joined |= grown
    apart = [name for name in present if name not in joined]
    if apart:
        raise SeamError(
            f"{pairs.source}: no chain of pairs joins channel '{apart[0]}' to the reference '{reference}'. "
            "Measure pairs between them, or register them apart.",
            channel=apart[0],
        )
