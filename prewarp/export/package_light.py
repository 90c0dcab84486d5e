"""The light that an eye sees of an even picture, worked out from a package's own bytes alone.

Weights and gains are those of the blob, evaluated as a device does (`prewarp.lookup.device_light`, the C
float path to the last bit), at pupil positions between the tabulated ones and at the corners of the eye box.
Panels are taken as 10 bit with blue-noise dither, and light is averaged over 0.1 degree. What the eye gets
from a channel is its drive times its luminance, and a gain says what that luminance is: target over gain. A
map that is off by a little shows the weight of a neighbouring direction: how much that is worth is measured
at the points of the package's `truth.npz`, the worst of every channel added.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.cores import one_blas_thread
from prewarp.encoding import TransferFunction
from prewarp.errors import PackageError, ShapeError
from prewarp.export.lookup_at_truth import LookupAtTruth, lookup_in
from prewarp.export.package_reading import Package, read_package
from prewarp.export.truth import KIND as TRUTH
from prewarp.lookup.device import Status
from prewarp.lookup.device_light import PreparedLight, claims_at
from prewarp.lookup.inverse import panel_near
from prewarp.lookup.measure import pupil_lattice
from prewarp.lookup.tables import Lookup
from prewarp.photometry.dither import dither_tile
from prewarp.seam.directions import plane_deg_from_tangent, tangent_from_plane_deg

LEVEL, BITS, WINDOW_DEG = 0.5, 10, 0.1
STEP_DEG = 0.25
# Half a window, px: no panel has 240 px per degree, but a damaged map may say so.
_MOST_HALF = 12
# Half steps over which weights are differenced, degrees.
_HALF_STEP_DEG = 0.02
# A channel with more of the light than this gives all of it, as far as a step is meant.
_ALONE = 0.99
_SEED, _BETWEEN = 7, 4
_MOST_NODES = 40_000
# Claims above this are not shared; of directions with one, every so many are looked at.
_SETTLED, _EVERY = 0.999, 16


@dataclass(frozen=True)
class PackageLight:
    """Worst of all pupil positions and colours; None where there is no seam.

    `step_percent`: difference between channels where each is alone, of the mean; `ripple_percent`: largest
    deviation from an even picture; `sum_error`: of the weights from 1 wherever a channel is lit;
    `gradient_per_deg`: steepest weight where the set of lit channels does not change. `with_luminance`: false
    where the package holds no gains, so that the blend alone is judged.
    """

    step_percent: float | None
    ripple_percent: float | None
    sum_error: float | None
    gradient_per_deg: float | None
    with_luminance: bool
    pupils: int

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines."""
        judged = "blend and luminance" if self.with_luminance else "blend alone: the package has no luminance"
        return {
            "step_percent": self.step_percent,
            "ripple_percent": self.ripple_percent,
            "sum_error": self.sum_error,
            "gradient_per_deg": self.gradient_per_deg,
            "judged": judged if self.pupils else "not known: needs a lookup with two channels or more",
            "pupils": self.pupils,
        }


def package_light(package: Package | Path | str, /) -> PackageLight:
    """Return the light of a package, a folder or one that is read already.

    Raises
    ------
    PackageError
        The folder is no package, or its blob or its truth cannot be read.
    """
    package = package if isinstance(package, Package) else read_package(Path(package))
    seen = lookup_in(package) if len(package.entries(TRUTH)) == 1 else None
    if seen is None:
        return PackageLight(None, None, None, None, False, 0)
    if seen.lookup.claims is None or len(seen.lookup.channels) < 2:
        return PackageLight(None, None, None, None, bool(seen.lookup.gains), 0)
    with one_blas_thread():
        return lookup_light(seen, transfers=_transfers(package))


def lookup_light(at_truth: LookupAtTruth, /, *, transfers: dict[str, TransferFunction]) -> PackageLight:
    """Return the light of a lookup with two channels or more; `transfers`: of the panels."""
    lookup = at_truth.lookup
    low, high = np.asarray(lookup.pupil_box_mm, dtype=float)
    between = np.random.default_rng(_SEED).uniform(low, high, (_BETWEEN, 3))
    pupils = np.concatenate([pupil_lattice(np.stack([low, high]), (2, 2, 2)), [0.5 * (low + high)], between])
    tangent = _directions(lookup)
    step, ripple, off, gradient = 0.0, 0.0, 0.0, 0.0
    # Where each channel's panel shows the directions: from one colour and pupil position to the next it is
    # near.
    shown_at = np.array(
        [np.broadcast_to(0.5 * np.array(size), tangent.shape) for size in lookup.panel_sizes_px]
    )
    for pupil in pupils:
        light = PreparedLight(lookup, pupil)
        lit, shares = light.lit_and_weights(tangent)
        weights = shares.astype(float)
        seen = lit.any(axis=0)
        off = max(off, float(np.abs(weights.sum(axis=0) - 1.0)[seen].max(initial=0.0)))
        gradient = max(gradient, _steepest(light, tangent, lit))
        for colour in lookup.colours:
            shown = _shown(light, colour, tangent, weights, transfers, shown_at)
            ratio = shown.sum(axis=0) / LEVEL
            near = seen & ((weights > 0.0).sum(axis=0) > 1)
            ripple = max(ripple, float(np.abs(ratio - 1.0)[near].max(initial=0.0)))
            sides = [ratio[one > _ALONE].mean() for one in weights if np.any(one > _ALONE)]
            step = max(step, float(np.ptp(sides) / np.mean(sides)) if len(sides) > 1 else 0.0)
    place, gains = _off_place(at_truth)
    return PackageLight(
        100.0 * (step + gains),
        100.0 * (ripple + place + gains),
        off,
        gradient,
        bool(lookup.gains),
        len(pupils),
    )


def _directions(lookup: Lookup) -> FloatArray:
    """Return directions (n, 2) over all that any channel shows from the middle of the eye box."""
    light = PreparedLight(lookup, np.mean(lookup.pupil_box_mm, axis=0))
    corners = []
    for own in light.maps:
        width, height = own.panel_size_px
        u, v = np.meshgrid(np.linspace(0.0, width, 9), np.linspace(0.0, height, 9))
        corners.append(own.direction_from_panel(np.stack([u, v], axis=-1)).reshape(-1, 2).astype(float))
    plane = plane_deg_from_tangent(np.concatenate(corners))
    low, high = plane.min(axis=0) - 1.0, plane.max(axis=0) + 1.0
    pitch = max(STEP_DEG, float(np.sqrt(np.prod(high - low) / _MOST_NODES)))
    x, y = (np.arange(low[axis], high[axis], pitch) for axis in range(2))
    tangent = tangent_from_plane_deg(np.stack(np.meshgrid(x, y), axis=-1)).reshape(-1, 2)
    tangent = tangent[np.all(np.abs(tangent) < 7.0, axis=1)]
    # Where one channel has all the light there is little to see: a few directions of it are enough.
    assert lookup.claims is not None
    shared = claims_at(lookup.claims, tangent, len(lookup.channels)).max(axis=0) < _SETTLED
    return np.asarray(tangent[shared | (np.arange(len(tangent)) % _EVERY == 0)])


def _steepest(light: PreparedLight, tangent: FloatArray, lit: BoolArray) -> float:
    plane, rises = plane_deg_from_tangent(tangent), []
    same = lit.sum(axis=0) > 1
    plane, lit = plane[same], lit[:, same]
    if not len(plane):
        return 0.0
    for axis in range(2):
        step = _HALF_STEP_DEG * np.eye(2)[axis]
        ahead, behind = (tangent_from_plane_deg(plane + sign * step) for sign in (1.0, -1.0))
        (lit_ahead, more), (lit_behind, less) = (light.lit_and_weights(one) for one in (ahead, behind))
        rise = (more.astype(float) - less) / (2.0 * _HALF_STEP_DEG)
        kept = np.all((lit_ahead == lit) & (lit_behind == lit), axis=0)
        rises.append(np.where(kept, np.abs(rise).max(axis=0), 0.0))
    return float(np.hypot(*rises).max())


def _shown(
    light: PreparedLight,
    colour: str,
    tangent: FloatArray,
    weights: FloatArray,
    transfers: dict[str, TransferFunction],
    near: FloatArray,
) -> FloatArray:
    """Return the light of each channel over the target (channels, n), dithered and averaged. `near`
    (channels, n, 2): panel points, px, that are near those of the directions; they take their place.
    """
    lookup, shown = light.lookup, np.zeros(weights.shape)
    for place, channel in enumerate(lookup.channels):
        asked = np.flatnonzero(weights[place] > 0.0)
        number = lookup.map_index(channel, colour)
        pixel, status = panel_near(light.maps[number], tangent[asked], near[place, asked])
        near[place, asked[status == Status.OK]] = pixel[status == Status.OK]
        gain = light.gain(number, pixel.astype(float), tangent[asked]).astype(float)
        wanted = np.clip(LEVEL * weights[place, asked] * gain, 0.0, 1.0)
        half = round(min(max(1.0, 0.5 * WINDOW_DEG * _px_per_deg(light, number)), _MOST_HALF))
        threshold = _thresholds(np.floor(pixel).astype(int), half)
        levels = transfers[channel].linear_of_codes(BITS)
        code = np.clip(np.searchsorted(levels, wanted, side="right") - 1, 0, len(levels) - 2)
        step = levels[code + 1] - levels[code]
        share = (wanted - levels[code]) / np.where(step > 0.0, step, 1.0)
        upper = np.mean(share[:, None] > threshold, axis=1)
        # Where the drive is cut off at 1 the target is not reached: that shows.
        shown[place, asked] = (levels[code] + upper * step) / gain
    return shown


def _thresholds(whole: IntArray, half: int) -> FloatArray:
    """Return the thresholds of dither (n, pixels) within `half` px, each way, of panel pixels (n, 2)."""
    windows = _windows(half)
    row, column = whole[:, 1] % windows.shape[0], whole[:, 0] % windows.shape[1]
    return np.asarray(windows[row, column])


@lru_cache(maxsize=2)
def _windows(half: int) -> FloatArray:
    """Return the thresholds (rows, columns, pixels) around every pixel of the tile of dither."""
    tile = dither_tile("blue").astype(float)
    size = 2 * half + 1
    windows = sliding_window_view(np.pad(tile, half, mode="wrap"), (size, size))
    return np.ascontiguousarray(windows).reshape(*tile.shape, size * size)


def _px_per_deg(light: PreparedLight, number: int) -> float:
    width, height = light.maps[number].panel_size_px
    pixel = np.array([[0.5 * width - 50.0, 0.5 * height], [0.5 * width + 50.0, 0.5 * height]])
    seen = light.maps[number].direction_from_panel(pixel).astype(float)
    apart_deg = float(np.linalg.norm(np.diff(plane_deg_from_tangent(seen), axis=0)))
    return 100.0 / apart_deg if apart_deg > 0.0 else np.inf


def _off_place(seen: LookupAtTruth) -> tuple[float, float]:
    """Return what weights lose by maps that are off, and what gains are off, as shares of light."""
    lookup, truth = seen.lookup, seen.truth
    place = np.zeros(len(lookup.channels))
    gains = 0.0
    for number, light in enumerate(seen.lights):
        for (channel, colour), points in truth.maps.items():
            own, row = lookup.map_index(channel, colour), lookup.channels.index(channel)
            pixel, device = truth.pixel[channel], seen.tangent(own, number).astype(float)
            # Past the border of what is lit, and where its border lies between both, nothing is judged here.
            lit, weights = seen.lit_and_weights(own, number)
            lit_there, weights_there = light.lit_and_weights(device)
            same = lit[row] & np.all(lit == lit_there, axis=0)
            off = np.abs(weights_there[row].astype(float) - weights[row])
            place[row] = max(place[row], float(off[same].max(initial=0.0)))
            if lookup.gains:
                gain = light.gain(own, pixel, device).astype(float)
                error = np.abs(gain / points.gain[number] - 1.0)
                gains = max(gains, float(error[lit[row]].max(initial=0.0)))
    # The worst of every channel falls on one direction at worst: two channels share a seam.
    return float(np.sort(place)[-2:].sum()), gains


def _transfers(package: Package) -> dict[str, TransferFunction]:
    try:
        return {
            str(one["channel"]): TransferFunction(
                str(one["encoding"]),
                **({} if one["gamma"] is None else {"gamma": float(one["gamma"])}),
                table=tuple(float(value) for value in one["encoding_table"]),
            )
            for one in package.manifest["channels"]
        }
    except (KeyError, TypeError, ValueError, ShapeError) as cause:
        raise PackageError(
            f"{package.folder}: the manifest's panels are damaged ({cause}). Export again."
        ) from cause
