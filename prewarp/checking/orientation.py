"""Flipped or swapped axes, other units, mixed-up channels: groups, colours and channels compared.

Each group's affine map is compared with the channel's typical one; where it differs grossly, each mend that
people need in practice is tried, and the one that makes the group agree is proposed.
"""

from collections.abc import Iterator

import numpy as np

from prewarp.checking.affine import FEWEST_SAMPLES, Frame, field_size, map_length, medoid, px_per_radian
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import FloatArray
from prewarp.robust import robust_fit

DIFFERS = 0.25  # of the field's size: distortion and pupil movement stay below, gross faults above
_TIE = 0.05  # of the field's size
EXPLAINS = 0.5  # a mend must leave less than this share of the difference
PLAUSIBLE_PX_PER_DEGREE = (2.0, 300.0)
_DEGREES = 180.0 / np.pi


def channel_references(samples: Samples, frame: Frame, maps: FloatArray) -> dict[int, FloatArray]:
    """Return the typical map (2, 3) of each channel; of all its samples where no group has enough of them."""
    colours = len(samples.grid.colour_names)
    known = np.isfinite(maps).all(axis=(1, 2))
    result = {}
    for channel in range(len(samples.grid.channel_names)):
        mine = maps[known & (samples.group_pair // colours == channel)]
        if len(mine):
            result[channel] = medoid(mine)
            continue
        index = np.flatnonzero(samples.pair // colours == channel)
        if len(index) >= FEWEST_SAMPLES:
            w = frame(samples.pixel[index])
            basis = np.stack([np.ones(len(w)), w[:, 0], w[:, 1]], axis=1)
            result[channel] = robust_fit(basis, samples.tangent[index]).coefficient.T
    return result


def odd_groups(
    samples: Samples, frame: Frame, maps: FloatArray, references: dict[int, FloatArray]
) -> tuple[list[Finding], np.ndarray]:
    """Return findings about groups unlike the rest of their channel, and (g,) True for those groups."""
    colours = len(samples.grid.colour_names)
    odd: dict[tuple[str, str, str, int], list[int]] = {}
    flagged = np.zeros(len(maps), dtype=bool)
    for channel, reference in references.items():
        size = float(field_size(reference))
        difference = map_length(maps - reference)
        mine = (samples.group_pair // colours == channel) & (difference > DIFFERS * size)
        flagged |= mine
        others = {other: m for other, m in references.items() if other != channel}
        for group in np.flatnonzero(mine):
            kind, text, mend = _explanation(
                samples, frame, maps[group], reference, others, float(difference[group])
            )
            odd.setdefault((kind, text, mend, int(samples.group_pair[group])), []).append(int(group))
    findings = []
    for (kind, text, mend, pair), groups in odd.items():
        total = int((samples.group_pair == pair).sum())
        where = "all pupil positions" if len(groups) == total else samples.group_text(groups[0])
        if 1 < len(groups) < total:
            where += f" and {len(groups) - 1} more of {total} pupil positions"
        findings.append(
            finding(
                kind,
                "error",
                f"{where}: {text}.",
                mend,
                channel=samples.channel_of(pair),
                colour=samples.colour_of(pair),
                rows=samples.rows_of_groups(np.asarray(groups)),
            )
        )
    return findings, flagged


def _explanation(
    samples: Samples,
    frame: Frame,
    own: FloatArray,
    reference: FloatArray,
    others: dict[int, FloatArray],
    difference: float,
) -> tuple[str, str, str]:
    mends = _mends(frame, own)
    lefts = [float(map_length(mend[3] - reference)) for mend in mends]
    # A centred field cannot tell a flipped direction from a flipped panel: the first that does as well is
    # named.
    best, left = next(
        (mend, left)
        for mend, left in zip(mends, lefts, strict=True)
        if left <= min(lefts) + _TIE * float(field_size(reference))
    )
    for other, other_map in others.items():
        apart = float(map_length(own - other_map))
        if apart < min(left, DIFFERS * float(field_size(other_map))):
            name = samples.grid.channel_names[other]
            return (
                "channel",
                f"directions agree with channel '{name}', not with this one",
                f"Write '{name}' in the column channel of these rows.",
            )
    if left < EXPLAINS * difference:
        return best[:3]
    return (
        "axis",
        "directions differ from the rest by much of the field; no flip, swap or change of units explains it",
        "Compare these rows with their source; capture this position again.",
    )


def _mends(frame: Frame, m: FloatArray) -> list[tuple[str, str, str, FloatArray]]:
    """Return (kind, text, mend, mended map) of each mend tried on a map (2, 3)."""
    flip_x, flip_y = np.array([[-1.0], [1.0]]), np.array([[1.0], [-1.0]])
    flip_u, flip_v = np.array([1.0, -1.0, 1.0]), np.array([1.0, 1.0, -1.0])
    (u0, v0), (hu, hv) = frame.middle, frame.half
    swapped = np.stack(
        [m[:, 0] + m[:, 1] * (v0 - u0) / hu + m[:, 2] * (u0 - v0) / hv, m[:, 2] * hu / hv, m[:, 1] * hv / hu],
        axis=1,
    )
    return [
        (
            "axis",
            "dir_x_deg has the other sign than elsewhere",
            "Negate dir_x_deg in these rows.",
            m * flip_x,
        ),
        (
            "axis",
            "dir_y_deg has the other sign than elsewhere",
            "Negate dir_y_deg in these rows.",
            m * flip_y,
        ),
        ("axis", "both directions have the other sign", "Negate dir_x_deg and dir_y_deg in these rows.", -m),
        ("axis", "dir_x_deg and dir_y_deg are swapped", "Swap the two columns in these rows.", m[::-1]),
        ("axis", "panel_u_px runs the other way", "Write panel width - u in these rows.", m * flip_u),
        ("axis", "panel_v_px runs the other way", "Write panel height - v in these rows.", m * flip_v),
        (
            "axis",
            "panel_u_px and panel_v_px both run the other way",
            "Write width - u and height - v in these rows.",
            m * flip_u * flip_v,
        ),
        ("axis", "panel_u_px and panel_v_px are swapped", "Swap the two columns in these rows.", swapped),
        (
            "units",
            "directions look like radians, elsewhere they are degrees",
            "Multiply both directions by 180/pi in these rows.",
            m * _DEGREES,
        ),
        (
            "units",
            "directions look like degrees converted from radians twice",
            "Multiply both directions by pi/180 in these rows.",
            m / _DEGREES,
        ),
    ]


def whole_channels(samples: Samples, frame: Frame, references: dict[int, FloatArray]) -> Iterator[Finding]:
    """Yield findings about whole channels: units that give odd px per degree."""
    names = samples.grid.channel_names
    for channel, reference in references.items():
        per_degree = float(px_per_radian(reference, frame)) / _DEGREES
        low, high = PLAUSIBLE_PX_PER_DEGREE
        if not low <= per_degree <= high:
            rows = samples.row[samples.pair // len(samples.grid.colour_names) == channel]
            if low <= per_degree / _DEGREES <= high:
                mend = "Directions look like radians: multiply dir_x_deg and dir_y_deg by 180/pi."
            elif low <= per_degree * _DEGREES <= high:
                mend = "Directions look like degrees converted twice: multiply both by pi/180."
            else:
                mend = "Check the units of directions and panel points."
            yield finding(
                "units",
                "error",
                f"{per_degree:.3g} panel px per degree; displays have {low:g} to {high:g}.",
                mend,
                channel=names[channel],
                rows=rows,
            )
