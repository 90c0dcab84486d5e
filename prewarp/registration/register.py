"""Robust registration: the turns that bring seam pairs together, with covariance, and what stays unfixed."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray, finite_rows, nearest_name
from prewarp.errors import SeamError
from prewarp.field.mount import Mount
from prewarp.registration.model import SCALE, TURNS, PairModel, own_fields
from prewarp.registration.pairs import SeamPairs
from prewarp.registration.result import Parameter, RegistrationResult
from prewarp.robust import huber_weight, redescending_weight, sigma_of_lengths

if TYPE_CHECKING:
    from prewarp.field import FieldSet

# Steps with weights that bound a pair's pull (Huber), then with weights that let outliers go.
HUBER_STEPS, REDESCENDING_STEPS = 8, 12
HUBER_SIGMA = 1.345
SETTLED = 1e-9
# Slopes are taken anew after a step longer than this (degrees or per cent): they change by less than a part
# in 1e5 otherwise.
STALE = 1e-3
# Pairs never agree better than this, whatever their mismatch says; also what identifiability is judged with.
LEAST_NOISE_ARCMIN = 0.02
# A parameter with a larger 1-sigma counts as not fixed: at the end of a seam of 30 degrees 0.1 degree about
# the line of sight moves the picture by 1.6 arcmin, 0.5 per cent of scale by 5.
WEAKEST = {**dict.fromkeys(TURNS, 0.1), SCALE: 0.5}
# Share of a parameter that may lie in directions of which the pairs say nothing, and how little counts as
# nothing.
_NULL_SHARE, _NULL_RATIO = 1e-3, 1e-7


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
    centre, by Gauss-Newton steps with robust weights (Huber's to begin with, then a redescending one, so
    gross outliers end without weight). All colours of a channel turn together.

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
        Too few pairs, or a channel that no chain of pairs joins to the reference.

    Notes
    -----
    Covariance sigma^2 (J^T W J)^-1; sigma from the weighted mismatch over 2 n - p degrees of freedom. Scale
    and the turn about y are nearly one for a narrow seam far from the panel's middle: the covariance tells.

    References
    ----------
    Huber's weight with k = 1.345: P. J. Huber, Ann. Math. Statist. 35 (1964) 73, from memory; 95 % efficiency
    is common practice.
    """
    known = (*TURNS, SCALE)
    for name in hold:
        if name not in known:
            raise SeamError(
                f"hold is '{name}'; expected some of {', '.join(known)}.{nearest_name(name, known)}"
            )
    pairs.require_on_panels(
        {name: next(iter(fields.fields_of(name).values())).panel_size_px for name in fields.channels},
        fields.colours,
    )
    present = [name for name in fields.channels if name in pairs.channels]
    reference = present[0] if reference is None else reference
    _require_joined(pairs, present, reference)
    wanted = [name for name in (*TURNS, *((SCALE,) if scale else ())) if name not in hold]
    free = tuple((channel, name) for channel in present if channel != reference for name in wanted)
    least = max(len(free) // 2 + 1, 3)
    if len(pairs) < least or not free:
        raise SeamError(
            f"{pairs.source}: {len(pairs)} pairs for {len(free)} parameters; expected at least {least} pairs "
            "and one parameter. Measure more pairs, or hold fewer parameters."
        )
    own, mounts = own_fields(fields, present)
    start = mounts
    model = PairModel(own, pairs, free)
    before = model.mismatch_arcmin(mounts)
    pairs.refuse(~finite_rows(before), "the field has no direction for a panel point. Delete the row.")
    relative = np.median(pairs.sigma_arcmin) / pairs.sigma_arcmin
    weight, change = np.ones(len(pairs)), np.full(len(free), np.inf)
    slopes: FloatArray | None = None
    for step in range(HUBER_STEPS + REDESCENDING_STEPS):
        mismatch = model.mismatch_arcmin(mounts) * relative[:, None]
        length = np.hypot(*mismatch.T)
        sigma = max(sigma_of_lengths(length), LEAST_NOISE_ARCMIN)
        if step < HUBER_STEPS:
            weight = huber_weight(length / (HUBER_SIGMA * sigma))
        else:
            weight = redescending_weight(length, sigma)
        if slopes is None or np.abs(change).max() > STALE:
            slopes = model.slopes(mounts) * relative[:, None, None]
        change, _, _ = _solve(slopes, mismatch, weight)
        mounts = model.moved(mounts, -change)
        if step >= HUBER_STEPS and np.abs(change).max() < SETTLED:
            break
    after = model.mismatch_arcmin(mounts)
    return _result(model, start, mounts, reference, before, after, relative, weight)


def _solve(
    slopes: FloatArray, mismatch: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the least change (p,), the inverse of J^T W J (p, p), and what share (p,) nothing decides."""
    root = np.sqrt(weight)[:, None]
    matrix = (slopes * root[..., None]).reshape(-1, slopes.shape[-1])
    _, values, axes = np.linalg.svd(matrix, full_matrices=False)
    good = values > _NULL_RATIO * max(values[0], 1e-300)
    gain = np.where(good, 1.0 / np.where(good, values, 1.0), 0.0)
    inverse = (axes.T * gain**2) @ axes
    # A matrix with fewer rows than columns has directions beyond those of `axes`: what is missing of 1 is
    # undecided.
    undecided = 1.0 - np.sum(axes[good] ** 2, axis=0)
    return inverse @ (matrix.T @ (mismatch * root).ravel()), inverse, undecided


def _result(
    model: PairModel,
    start: Mapping[str, Mount],
    mounts: Mapping[str, Mount],
    reference: str,
    before: FloatArray,
    after: FloatArray,
    relative: FloatArray,
    weight: FloatArray,
) -> RegistrationResult:
    slopes = model.slopes(mounts)
    weighed = after * relative[:, None]
    _, inverse, undecided = _solve(slopes * relative[:, None, None], weighed, weight)
    freedom = max(2.0 * weight.sum() - len(model.free), 1.0)
    noise = float(np.sqrt(np.sum(weight * np.sum(weighed**2, axis=1)) / freedom))
    unknown = undecided > _NULL_SHARE
    covariance = noise**2 * inverse
    judged = np.sqrt(np.diagonal(inverse)) * max(noise, LEAST_NOISE_ARCMIN)
    sigma = np.where(unknown, np.inf, np.sqrt(np.diagonal(covariance)))
    parameters = tuple(
        Parameter(
            channel,
            name,
            _value(mounts[channel], name),
            float(sigma[place]),
            bool(not unknown[place] and judged[place] <= WEAKEST[name]),
        )
        for place, (channel, name) in enumerate(model.free)
    )
    at_pairs = np.sqrt(np.einsum("nip,pq,niq->n", slopes, covariance, slopes))
    covariance = np.where(unknown[:, None] | unknown[None, :], np.inf, covariance)
    moved = {name: mounts[name] for name in start if name != reference}
    return RegistrationResult(
        reference, moved, parameters, covariance, noise, before, after, weight <= 0.0, at_pairs, model.pairs
    )


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
