"""Flipped or swapped axes, other units, mixed-up channels: groups, colours and channels compared.

Each group's affine map is compared with the channel's typical one; where it differs grossly, each mend that
people need in practice is tried, and the one that makes the group agree is proposed.
"""

from collections.abc import Iterator

import numpy as np

from prewarp.checking.affine import FEWEST_SAMPLES, Frame, field_size, map_length, medoid, px_per_tangent
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import FloatArray
from prewarp.module import DisplayModule
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
    """Yield findings about whole channels: units that give odd px per degree, and odd orientation."""
    names = samples.grid.channel_names
    orientation = {}
    for channel, reference in references.items():
        per_degree = float(px_per_tangent(reference, frame)) / _DEGREES
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
        orientation[channel] = _orientation(reference, frame)
    patterns = set(orientation.values())
    mirrored = {channel: value for channel, value in orientation.items() if value in _MIRRORED}
    for channel, value in orientation.items():
        if value == "usual":
            continue
        alone = len(patterns) > 1 and channel in mirrored and len(mirrored) < len(orientation)
        yield finding(
            "axis",
            "error" if alone else "remark",
            f"{_ORIENTATION_TEXT[value]}{', unlike in the other channels' if alone else ''}.",
            "If the panel is not mounted so, mend the sign or the order of the columns. "
            + _MEND.get(value, "")
            if alone
            else "Nothing needs mending if the panel is mounted so.",
            channel=names[channel],
        )


_MIRRORED = ("u backwards", "v upwards", "quarter turn mirrored")
_ORIENTATION_TEXT = {
    "u backwards": "u runs against +x (mirror image)",
    "v upwards": "v runs up (mirror image)",
    "half turn": "u runs against +x and v runs up (panel turned by half a turn)",
    "quarter turn": "u runs along y and v along x (panel turned by a quarter turn)",
    "quarter turn mirrored": "u runs along y and v along x (mirror image, or two columns swapped)",
}
_MEND = {
    "u backwards": "Negate dir_x_deg, or write panel width - u.",
    "v upwards": "Negate dir_y_deg, or write panel height - v.",
    "quarter turn mirrored": "Swap panel_u_px and panel_v_px, or dir_x_deg and dir_y_deg.",
}


def _orientation(reference: FloatArray, frame: Frame) -> str:
    (xu, xv), (yu, yv) = reference[:, 1:] / frame.half
    mirrored = xu * yv - xv * yu > 0.0  # usual: u right, v down, so the determinant is negative
    if abs(xv) + abs(yu) > abs(xu) + abs(yv):
        return "quarter turn mirrored" if mirrored else "quarter turn"
    if mirrored:
        return "u backwards" if xu < 0.0 else "v upwards"
    return "half turn" if xu < 0.0 else "usual"


def nominal_reach(
    samples: Samples, references: dict[int, FloatArray], module: DisplayModule
) -> Iterator[Finding]:
    """Yield findings about channels whose directions fit another's nominal reach better than their own."""
    middles = {}
    for channel in module.channels:
        x, y = channel.reach.dir_x_deg, channel.reach.dir_y_deg
        middles[channel.name] = np.tan(np.radians([(x[0] + x[1]) / 2.0, (y[0] + y[1]) / 2.0]))
    for code, reference in references.items():
        name = samples.grid.channel_names[code]
        if name not in middles:
            yield finding(
                "channel",
                "error",
                f"the module description has no channel of this name; it has {', '.join(middles)}.",
                "Correct the column channel or the module description.",
                channel=name,
            )
            continue
        apart = {other: float(np.hypot(*(reference[:, 0] - middle))) for other, middle in middles.items()}
        best = min(apart, key=lambda other: apart[other])
        size = float(field_size(reference))
        if best != name and apart[name] > 0.5 * size and apart[best] < 0.5 * apart[name]:
            rows = samples.row[samples.pair // len(samples.grid.colour_names) == code]
            yield finding(
                "channel",
                "error",
                f"directions lie in the nominal reach of channel '{best}', not of this one.",
                f"Write '{best}' in the column channel, or correct the nominal reach.",
                channel=name,
                rows=rows,
            )
    colours = {colour.name for colour in module.colours}
    for name in samples.grid.colour_names:
        if name not in colours:
            yield finding(
                "colour",
                "error",
                f"the module description has no such colour; it has {', '.join(sorted(colours))}.",
                "Correct the column color or the module description.",
                colour=name,
            )
