"""Advice: what a capture could show better. Remarks that blame no row, one of a kind for a whole grid."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from prewarp.checking.outliers import BOUND_SIGMA, Residuals
from prewarp.checking.pupil_terms import PupilTerms
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checking.surface import FEWEST_POSITIONS
from prewarp.checks import BoolArray
from prewarp.neighbours import FEWEST_DOTS, local_differences
from prewarp.pupils.needed import PupilsNeeded, positions_for
from prewarp.pupils.shown import motion_text
from prewarp.robust import sigma_of_lengths

# What the estimate says is left, over what is: at most this on traced eyepieces, where the positions show the
# degree in question. Terms are counted as wholly mixed into lower ones.
TOO_LARGE = 2.5
_STEP_MM = 2.0  # by which positions are to alternate in depth: common practice, more shows more
_LEAST_NOISE_PX = 0.002  # below, scatter is what a quadric through neighbours does not follow
# A quadric that follows what is smooth leaves as much as a polynomial of degree 4: noise alone, within 1.1 in
# closed forms of 9 x 9 to 33 x 33 dots; without noise it leaves 2.5 to 40 times as much. At this ratio what
# is stated is a fifth too large.
_SETTLED = 1.15
_ONE_PLANE_MM = 0.05  # positions that differ less in z lie in one plane


def reference_pairs(samples: Samples) -> list[int]:
    """Return one pair of each channel: that of the reference colour, or of the first colour that it has."""
    reference = samples.grid.colour_names.index(samples.grid.reference_colour)
    colours = len(samples.grid.colour_names)
    by_channel: dict[int, list[int]] = {}
    for pair in samples.pairs.tolist():
        by_channel.setdefault(pair // colours, []).append(pair)
    return [
        next((pair for pair in pairs if pair % colours == reference), pairs[0])
        for pairs in by_channel.values()
    ]


def advise(
    samples: Samples,
    terms: Mapping[int, PupilTerms],
    noise: Mapping[int, float | None],
    wanted_px: float,
) -> tuple[list[Finding], dict[str, float | None]]:
    """Return advice on a capture, and how many pupil positions each way each channel needs.

    `terms` and `noise` (px per axis) by pair of a channel and its reference colour; pairs with too few
    samples are missing. `wanted_px`: the error wanted.
    """
    by_channel = {samples.channel_of(pair): pair for pair in reference_pairs(samples)}
    own_terms = {name: terms.get(pair) for name, pair in by_channel.items()}
    needed = {name: _needed_by(one, wanted_px) for name, one in own_terms.items()}
    findings = [_pupils_advice(needed, own_terms)]
    if (depth := _depth_advice(samples)) is not None:
        findings.append(depth)
    if (few := _few_advice(samples)) is not None:
        findings.append(few)
    findings.append(_noise_advice({name: noise.get(pair) for name, pair in by_channel.items()}))
    return findings, {name: one.nodes for name, one in needed.items()}


def _needed_by(terms: PupilTerms | None, wanted_px: float) -> PupilsNeeded:
    """Return how many pupil positions a channel needs; `terms` are None where it has too few samples."""
    if terms is None:
        return PupilsNeeded(wanted_px, None, None, None, (), "more dots per pupil position")
    needed = positions_for(terms.size_px, wanted_px=wanted_px, shows_motion=len(terms.motions) == 2)
    if needed.nodes is None and not terms.enough_dots:
        return replace(needed, why="more dots per pupil position")
    return needed


def _pupils_advice(needed: Mapping[str, PupilsNeeded], terms: Mapping[str, PupilTerms | None]) -> Finding:
    """Return how many pupil positions are needed, from what each channel needs, by its name."""
    known = {name: one for name, one in needed.items() if one.nodes is not None}
    if len(known) < len(needed):
        name = next(name for name in needed if name not in known)
        shown = terms[name]
        text = needed[name].text()
        if shown is not None and len(shown.motions) < 2:
            text += f" (these show {motion_text(shown.motions)})"
        return finding("pupils_needed", "remark", f"{text}{_of(name, needed)}.", "")
    worst = max(known, key=lambda name: (known[name].nodes or 0, known[name].fewer_px or 0.0))
    one, shown = known[worst], terms[worst]
    assert one.nodes is not None and shown is not None
    mend = f"Estimated from the samples alone, up to {TOO_LARGE:g} times too large, but hardly too small."
    if one.nodes > len(one.terms_px):
        why = "noise hides smaller terms" if shown.hidden_by_noise else "these positions show no more"
        mend = (
            f"Terms above pupil degree {len(one.terms_px) - 1} are extrapolated, and rather too large: {why}."
        )
    return finding(
        "pupils_needed",
        "remark",
        f"{one.text()}{_of(worst, needed)}.",
        f"{mend} 'fit' says it more exactly.",
        size=(float(one.nodes), "pupil positions each way"),
    )


def _of(name: str, needed: Mapping[str, PupilsNeeded]) -> str:
    """Return which channel is told of, where there are several and they differ."""
    alike = len({one.nodes for one in needed.values()}) == 1
    return "" if len(needed) == 1 or alike else f", for channel '{name}'"


def _depth_advice(samples: Samples) -> Finding | None:
    """Return what a capture in one plane does not check; None for one pupil position or several depths."""
    depth = samples.pupils_mm[:, 2]
    if len(depth) < 2 or np.ptp(depth) > _ONE_PLANE_MM:
        return None
    return finding(
        "one_plane",
        "remark",
        f"all pupil positions lie in the plane z = {float(np.median(depth)):.3g} mm. Rays do "
        "not bend, so other depths follow from it. But a turn of the camera or an error of "
        "its calibration that changes with the position looks like image vergence and swim, "
        "and nothing in these data tells them apart.",
        f"Alternate z by +-{_STEP_MM:g} mm from position to position, like a checkerboard.",
    )


def _few_advice(samples: Samples) -> Finding | None:
    """Return which faults so few pupil positions cannot show; None where all channels have enough."""
    counts = np.bincount(samples.group_pair)
    fewest = int(counts[counts > 0].min())
    if fewest >= FEWEST_POSITIONS:
        return None
    own = samples.group_pair == int(np.flatnonzero(counts == fewest)[0])
    across = np.linalg.matrix_rank(
        samples.pupils_mm[samples.group_pupil[own]][:, :2]
        - samples.pupils_mm[samples.group_pupil[own][0], :2],
        tol=_ONE_PLANE_MM,
    )
    hidden = [
        "whether a shot is off as a whole",
        "whether the stage is",
        "whether photographs were exchanged",
    ]
    if across < 2:
        hidden.append("whether angles are projected ones or those of a goniometer")
    where = "" if fewest == 1 or across == 2 else " on a line"
    return finding(
        "few_positions",
        "remark",
        f"{fewest} pupil position{'s' if fewest > 1 else ''}{where}: not known: {', '.join(hidden)}. "
        "Each view is compared with itself alone, which shows points that moved or scatter beside others.",
        "Needs five pupil positions or more, along x and y.",
        size=(float(fewest), "pupil positions"),
    )


def noise_px(samples: Samples, residuals: Residuals, good: BoolArray) -> float | None:
    """Return what dots of one pupil position scatter, px per axis; None where dots are too few to tell it
    from what is smooth over the panel.
    """
    near = residuals.distance < BOUND_SIGMA * max(residuals.sigma, 1e-9)
    kept = good[residuals.index] & near
    index = residuals.index[kept]
    scatter = []
    for degree in (2, 4):
        local = local_differences(
            samples.pixel[index], samples.group[index], residuals.px[kept].T, degree=degree
        )
        if local.shape[1] < FEWEST_DOTS:
            return None
        scatter.append(sigma_of_lengths(np.hypot(*local)))
    by_quadric, higher = scatter
    return by_quadric if by_quadric < max(_SETTLED * higher, _LEAST_NOISE_PX) else None


def _noise_advice(noise: Mapping[str, float | None]) -> Finding:
    """Return how much dots scatter, by name of the channel, px per axis."""
    known = {name: one for name, one in noise.items() if one is not None}
    if not known:
        text = "scatter of the dots of one pupil position: not known: needs more dots per pupil position."
        return finding("noise", "remark", text, "")
    worst = max(known, key=lambda name: known[name])
    place = f" at most (channel '{worst}')" if len(known) > 1 else ""
    size = max(known[worst], _LEAST_NOISE_PX)
    amount = f"{size:.2g} px per axis{place}" if known[worst] >= size else f"less than {size:g} px per axis"
    return finding(
        "noise",
        "remark",
        f"dots of one pupil position scatter by {amount}, after what is smooth over the panel is taken out.",
        "The error that this leaves in a map falls as one over the square root of the number "
        "of samples: more dots or more pupil positions bring it down.",
        size=(size, "px"),
    )
