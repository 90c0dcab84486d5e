"""The pupil side: units and signs of positions, contradictions, mixed-up colours, too few positions."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import chebyshev_terms, exponents_of_degree
from prewarp.checking.affine import Frame, map_length, px_per_tangent
from prewarp.checking.pupil_trend import PupilTrend
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import BoolArray, FloatArray, IntArray, extent
from prewarp.frames import reference_pupil
from prewarp.robust import robust_fit

LEAST_DIOPTRES = 0.15  # below, the image is too far away for its shift to tell signs
IMPLAUSIBLE_DIOPTRES = 40.0


def check_shift(
    samples: Samples,
    trends: dict[int, PupilTrend],
    mirrored: Mapping[int, bool],
    wanted: Mapping[int, bool | None],
) -> Iterator[Finding]:
    """Yield findings about pupil axes and units from the shift of directions with the pupil.

    Of a point image both axes say the same distance, and none is behind the eye
    (`frames.curvature_from_slope`). `mirrored` says which channels show a mirror image, `wanted` which are
    declared to; None where nothing is.
    """
    colours = len(samples.grid.colour_names)
    patterns: dict[str, list[int]] = {}
    for pair, trend in trends.items():
        dioptres = trend.curvature_dioptres
        pattern = _shift_pattern(dioptres, max(LEAST_DIOPTRES, 6000.0 * trend.shift_error))
        if pattern:
            patterns.setdefault(pattern, []).append(pair)
    for pattern, pairs in patterns.items():
        alone = len(pairs) < len(trends)
        for same in _by_channel(pairs, colours) if alone else [pairs]:
            channel = same[0] // colours
            dioptres = trends[same[0]].curvature_dioptres
            text, mend = _SHIFT_TEXT[pattern]
            if pattern in ("x", "y"):
                mend = _sign_mend(pattern, mirrored.get(channel, False), wanted.get(channel))
            yield finding(
                "units" if pattern == "units" else "axis",
                "error" if alone or pattern in ("units", "swapped") else "warning",
                f"with the pupil, directions move as for images at {dioptres[0, 0]:.2f} and "
                f"{dioptres[1, 1]:.2f} dioptres (x and y): {text}"
                f"{', unlike in other channels or colours' if alone else ''}.",
                mend,
                channel=samples.channel_of(same[0]) if alone else None,
                colour=samples.colour_of(same[0]) if alone and len(same) == 1 else None,
                rows=samples.row[np.isin(samples.pair, same)] if alone else (),
            )


def _by_channel(pairs: list[int], colours: int) -> list[list[int]]:
    by_channel: dict[int, list[int]] = {}
    for pair in pairs:
        by_channel.setdefault(pair // colours, []).append(pair)
    return list(by_channel.values())


def _sign_mend(axis: str, mirrored: bool, wanted: bool | None) -> str:
    """Return which column to negate: a direction only where that does not mirror the picture wrongly."""
    if wanted is None and mirrored:
        return (
            f"Negate eye_{axis}_mm if optics or mounting mirror the picture, dir_{axis}_deg if they do not."
        )
    return f"Negate {'eye_' + axis + '_mm' if mirrored == bool(wanted) else 'dir_' + axis + '_deg'}."


def _shift_pattern(dioptres: FloatArray, least: float) -> str:
    (xx, xy), (yx, yy) = dioptres
    if np.abs(dioptres).max() < least:
        return ""
    if max(abs(xx), abs(yy)) > IMPLAUSIBLE_DIOPTRES:
        return "units"
    if abs(xy) + abs(yx) > 2.0 * (abs(xx) + abs(yy)):
        return "swapped"
    if xx < -least and yy > least:
        return "x"
    if yy < -least and xx > least:
        return "y"
    if xx < -least and yy < -least:
        return "both"
    return ""


_SHIFT_TEXT = {
    "units": (
        "no image is that near",
        "Pupil positions look like metres: multiply eye_x_mm, eye_y_mm, eye_z_mm by 1000.",
    ),
    "swapped": (
        "the pupil's axes are swapped",
        "Swap eye_x_mm and eye_y_mm, or dir_x_deg and dir_y_deg with the panel.",
    ),
    "x": ("the x axis has opposite signs for pupil and direction", ""),
    "y": ("the y axis has opposite signs for pupil and direction", ""),
    "both": ("pupil positions have the other sign than directions", "Negate eye_x_mm and eye_y_mm."),
}


def check_positions(
    samples: Samples, frame: Frame, trends: dict[int, PupilTrend]
) -> tuple[list[Finding], BoolArray]:
    """Return findings about groups that contradict their neighbours' trend, and (g,) True for those."""
    found: dict[tuple[int, str, str], list[_Contradiction]] = {}
    flagged = np.zeros(len(samples.group_pair), dtype=bool)
    for pair, trend in trends.items():
        typical = float(np.median(trend.length_px))
        suspects = trend.groups[(trend.length_px > 8.0 * typical) & (trend.length_px > 0.02)]
        order = np.argsort(-trend.length_px[np.isin(trend.groups, suspects)])
        for group in suspects[order][:50]:
            own = float(trend.length_px[trend.groups == group][0])
            one = _contradiction(samples, frame, trends, pair, int(group), own)
            if one is not None:
                key = (int(samples.group_pupil[group]), one.kind, one.mend)
                found.setdefault(key, []).append(one)
                flagged[group] = True
    return [_told(samples, same) for same in found.values()], flagged


@dataclass(frozen=True, eq=False)
class _Contradiction:
    """What is wrong with a group: words, the samples that are blamed, and how far off they are."""

    kind: str
    group: int
    text: str
    mend: str
    index: IntArray
    size: tuple[float, str]


def _told(samples: Samples, same: list[_Contradiction]) -> Finding:
    """Return one finding of what channels and colours say alike of one pupil position."""
    first = same[0]
    pairs = [int(samples.group_pair[one.group]) for one in same]
    channels, colours = {samples.channel_of(p) for p in pairs}, {samples.colour_of(p) for p in pairs}
    return finding(
        first.kind,
        "error",
        f"{samples.group_text(first.group)}: {first.text}",
        first.mend,
        channel=channels.pop() if len(channels) == 1 else None,
        colour=colours.pop() if len(colours) == 1 else None,
        rows=samples.row[np.concatenate([one.index for one in same])],
        pupil_mm=samples.pupils_mm[samples.group_pupil[first.group]],
        size=first.size,
    )


def _contradiction(
    samples: Samples,
    frame: Frame,
    trends: dict[int, PupilTrend],
    pair: int,
    group: int,
    own: float,
) -> _Contradiction | None:
    index = np.flatnonzero(samples.group == group)
    pupil = samples.pupils_mm[samples.group_pupil[group]]
    colours = len(samples.grid.colour_names)
    shared = _two_captures(samples, frame, trends[pair], group)
    if shared is not None:
        return shared

    def left_px(other: PupilTrend, positions: FloatArray) -> FloatArray:
        """Return how far, px, the group is from `other`'s trend at pupil positions (k, 3)."""
        w = frame(samples.pixel[index])
        rest = samples.tangent[index] - other.panel(samples.pixel[index])
        basis = np.stack([np.ones(len(w)), w[:, 0], w[:, 1]], axis=1)
        own_map = robust_fit(basis, rest).coefficient.T
        whole = robust_fit(basis, samples.tangent[index]).coefficient.T
        reference = reference_pupil(whole[:, 0], positions)
        return map_length(own_map - other.predicted(reference)) * float(px_per_tangent(whole, frame))

    # Held against the same robust measure at its own position: a part of the panel may be off alone.
    explains = 0.25 * min(own, float(left_px(trends[pair], pupil[None])[0]))
    x, y, z = pupil
    mends = [
        ((-x, y, z), "Negate eye_x_mm in these rows."),
        ((x, -y, z), "Negate eye_y_mm in these rows."),
        ((-x, -y, z), "Negate eye_x_mm and eye_y_mm in these rows."),
        ((y, x, z), "Swap eye_x_mm and eye_y_mm in these rows."),
        ((1000 * x, 1000 * y, 1000 * z), "These look like metres: multiply by 1000 in these rows."),
    ]
    others = [trends[p] for p in trends if p != pair and p // colours == pair // colours]
    for other in others:
        apart = float(left_px(other, pupil[None])[0])
        if apart < explains:
            name = samples.colour_of(other.pair)
            return _Contradiction(
                "color",
                group,
                f"panel points agree with colour '{name}' within {apart:.2g} px, with this colour only "
                f"within {own:.2g} px.",
                f"Write '{name}' in the column color of these rows.",
                index,
                (own, "px"),
            )
    for positions, words in (
        (np.array([place for place, _ in mends]), [mend for _, mend in mends]),
        (samples.pupils_mm, ["Check which position these rows were captured at."] * len(samples.pupils_mm)),
    ):
        lefts = left_px(trends[pair], positions)
        best = int(np.argmin(lefts))
        if lefts[best] < explains:
            x, y, z = positions[best]
            return _Contradiction(
                "pupil",
                group,
                f"directions agree with pupil ({x:g}, {y:g}, {z:g}) mm instead ({lefts[best]:.2g} against "
                f"{own:.2g} px).",
                words[best],
                index,
                (float(np.linalg.norm(positions[best] - pupil)), "mm"),
            )
    return None


def _two_captures(samples: Samples, frame: Frame, trend: PupilTrend, group: int) -> _Contradiction | None:
    """Return what is wrong when a part of the group's rows was captured at another position than the rest."""
    index = np.flatnonzero(samples.group == group)
    w = frame(samples.pixel[index])
    basis = np.stack([np.ones(len(w)), w[:, 0], w[:, 1]], axis=1)
    rest = samples.tangent[index] - trend.panel(samples.pixel[index])
    tangent = np.median(samples.tangent[index], axis=0)

    def distance(position: FloatArray) -> FloatArray:
        expected = basis @ trend.predicted(position[:2] - position[2] * tangent).T
        result: FloatArray = np.sqrt(((rest - expected) ** 2).sum(axis=1))
        return result

    own_position = samples.pupils_mm[samples.group_pupil[group]]
    x, y, z = own_position
    own = distance(own_position)
    candidates = np.array([(-x, y, z), (x, -y, z), (-x, -y, z), (y, x, z), *samples.pupils_mm[:500]])
    others = [distance(candidate) for candidate in candidates]
    best = int(np.argmin([np.minimum(own, other).sum() for other in others]))
    moved = others[best] < own
    apart = np.abs(own - others[best])[np.abs(own - others[best]).argsort()[len(own) // 2]]
    if not 0.2 < moved.mean() < 0.8 or np.median(np.minimum(own, others[best])) > 0.25 * apart:
        return None
    x, y, z = candidates[best]
    return _Contradiction(
        "pupil",
        group,
        f"two captures carry this position; these rows agree with pupil ({x:g}, {y:g}, {z:g}) mm.",
        "Write the position that these rows were captured at.",
        index[moved],
        (float(np.linalg.norm(candidates[best] - own_position)), "mm"),
    )


def check_enough(samples: Samples, pupil_degree: int | None) -> Iterator[Finding]:
    """Yield a finding where positions carry no polynomial of `pupil_degree`: one, unless channels differ.

    Counted after ray constancy (positions on one ray are one) as distinct mean reference positions; needed
    are (d + 1)(d + 2)/2 that are not on one curve of that degree.
    """
    if pupil_degree is None:
        return
    needed = (pupil_degree + 1) * (pupil_degree + 2) // 2
    count = len(samples.group_pair)
    weight = np.maximum(np.bincount(samples.group, minlength=count), 1)[:, None]
    mean = (
        np.stack([np.bincount(samples.group, samples.reference_mm[:, a], count) for a in (0, 1)], axis=1)
        / weight
    )
    told: dict[tuple[str, str], list[int]] = {}
    for pair in samples.pairs:
        positions = mean[samples.group_pair == pair]
        positions = positions[np.linspace(0, len(positions) - 1, min(len(positions), 5000)).astype(int)]
        distinct = np.unique(np.round(positions, 3), axis=0)
        rank = _rank(distinct, pupil_degree)
        if rank >= needed:
            continue
        best = max(d for d in range(pupil_degree + 1) if _rank(distinct, d) == (d + 1) * (d + 2) // 2)
        where = " that lie on one line or curve" if len(distinct) >= needed else ""
        text = (
            f"{len(distinct)} distinct pupil positions{where}; pupil degree {pupil_degree} needs {needed} in "
        )
        text += "general position."
        mend = f"Lower the pupil degree to {best} or capture {max(needed - rank, 1)} more."
        told.setdefault((text, mend), []).append(int(pair))
    for (text, mend), pairs in told.items():
        channels, colours = {samples.channel_of(p) for p in pairs}, {samples.colour_of(p) for p in pairs}
        yield finding(
            "pupils",
            "error",
            text,
            mend,
            channel=channels.pop() if len(channels) == 1 else None,
            colour=colours.pop() if len(colours) == 1 else None,
            size=(float(needed), "pupil positions"),
        )


def _rank(position_mm: FloatArray, degree: int) -> int:
    low, high = extent(position_mm)
    w = (position_mm - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1e-9)
    return int(
        np.linalg.matrix_rank(chebyshev_terms(w, exponents_of_degree(degree)), tol=1e-6 * np.sqrt(len(w)))
    )
