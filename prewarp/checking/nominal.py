"""The grid against the module description: names of channels and colours, nominal reach."""

from collections.abc import Iterator, Mapping

import numpy as np

from prewarp.checking.affine import field_size
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import FloatArray
from prewarp.frames import degrees_from_tangent
from prewarp.module import DisplayModule, Reach

# Share of the nominal reach that a capture covers at least; below, it is said.
_LEAST_COVERED = 0.5
# How much more of the nominal reach a capture must cover when it is mirrored to lie on the other side.
_MUCH_MORE = 0.25
_SAMPLED = 20_000


def check_nominal(
    samples: Samples, references: Mapping[int, FloatArray], module: DisplayModule
) -> Iterator[Finding]:
    """Yield findings about names that the module lacks, and about channels outside their nominal reach."""
    middles = {}
    for channel in module.channels:
        x, y = channel.reach.dir_x_deg, channel.reach.dir_y_deg
        middles[channel.name] = np.tan(np.radians([(x[0] + x[1]) / 2.0, (y[0] + y[1]) / 2.0]))
    reaches = {channel.name: channel.reach for channel in module.channels}
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
        own = np.flatnonzero(samples.pair // len(samples.grid.colour_names) == code)
        apart = {other: float(np.hypot(*(reference[:, 0] - middle))) for other, middle in middles.items()}
        best = min(apart, key=lambda other: apart[other])
        size = float(field_size(reference))
        if best != name and apart[name] > 0.5 * size and apart[best] < 0.5 * apart[name]:
            yield finding(
                "channel",
                "error",
                f"directions lie in the nominal reach of channel '{best}', not of this one.",
                f"Write '{best}' in the column channel, or correct the nominal reach.",
                channel=name,
                rows=samples.row[own],
            )
            continue
        yield from _outside(samples, name, own, reaches[name])
    colours = {colour.name for colour in module.colours}
    for name in samples.grid.colour_names:
        if name not in colours:
            yield finding(
                "color",
                "error",
                f"the module description has no such colour; it has {', '.join(sorted(colours))}.",
                "Correct the column color or the module description.",
                colour=name,
            )


def _outside(samples: Samples, name: str, own: np.ndarray, reach: Reach) -> Iterator[Finding]:
    """Yield a finding where what is captured of a channel covers little of its nominal reach."""
    few = own[np.linspace(0, len(own) - 1, min(len(own), _SAMPLED)).astype(int)]
    captured = np.quantile(degrees_from_tangent(samples.tangent[few]), (0.005, 0.995), axis=0).T
    nominal = np.array([reach.dir_x_deg, reach.dir_y_deg])
    as_is = _covered(captured, nominal)
    if as_is >= _LEAST_COVERED:
        return
    mirrored = {
        "left and right": _covered(captured, nominal * [[-1.0], [1.0]]),
        "up and down": _covered(captured, nominal * [[1.0], [-1.0]]),
        "both": _covered(captured, -nominal),
    }
    side, share = max(mirrored.items(), key=lambda item: item[1])
    where = "x = {:.1f} to {:.1f}, y = {:.1f} to {:.1f} degrees".format(*captured.ravel())
    other = share > as_is + _MUCH_MORE
    words = "left for right and up for down" if side == "both" else side.replace(" and ", " for ")
    yield finding(
        "reach",
        "error" if other else "warning",
        f"captured directions ({where}) cover {100.0 * as_is:.0f} % of the nominal reach"
        + (f"; taken {words} it would be {100.0 * share:.0f} %." if other else "."),
        f"Correct the nominal reach under [channel.{name}.reach]: +x is to the wearer's right, +y is up."
        if other
        else "Capture the rest of the nominal reach, or correct it in the module description.",
        channel=name,
        size=(100.0 * as_is, "percent"),
    )


def _covered(captured: FloatArray, nominal: FloatArray) -> float:
    """Return the share of a nominal reach (2, 2) degrees that captured ranges (2, 2) cover, axis by axis."""
    nominal = np.sort(nominal, axis=1)
    overlap = np.minimum(captured[:, 1], nominal[:, 1]) - np.maximum(captured[:, 0], nominal[:, 0])
    return float(np.prod(np.clip(overlap, 0.0, None) / np.maximum(np.ptp(nominal, axis=1), 1e-9)))
