"""What the fit says at panel points and pupils drawn at random: what every artefact of a package is held to.

The file travels with the package, so that it can be verified without the fit; `prewarp verify --fit` holds
the file itself to the fit.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.errors import InputFileError, PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import (
    DIRECTION_FRAME,
    PANEL_FRAME,
    PUPIL_FRAME,
    ArrayNote,
    JsonObject,
    PackageFile,
)
from prewarp.export.sealing import canonical_bytes, manifest_from_bytes
from prewarp.field import FieldSet
from prewarp.files import npz_bytes, read_npz
from prewarp.lookup.measure import border_of, heeded, inside_border, px_error
from prewarp.seam import channel_lights

KIND = "truth"
PATH = "truth.npz"
LIMIT_BYTES = 256 << 20
_SEED = 20
_MOST_POINTS, _FEWEST_POINTS, _POINTS_IN_ALL = 300, 40, 60_000
_EXTRA_PUPILS, _PUPILS_ALONE, _CORNERS = 8, 12, 4
# Of a package whose artefacts hold no pupil positions; tangent, slope, blend and gain of one point; the rest.
SMALL_BYTES, _BYTES_PER_POINT, _HEAD_BYTES = 300_000, 48, 20_000
_SLOPE_STEP_PX = 0.25


@dataclass(frozen=True)
class MapPoints:
    """One channel and colour, for all pupils (m) and points (n).

    `tangent` (m, n, 2); `px_per_tangent` (m, n, 2, 2), panel px, past the border no larger than inside
    (`heeded`); `blend`, `gain` (m, n), gain 1 where there is no match.
    """

    tangent: FloatArray
    px_per_tangent: FloatArray
    blend: FloatArray
    gain: FloatArray

    @property
    def weight(self) -> FloatArray:
        """Drive of white (m, n): blend weight times gain."""
        return self.blend * self.gain


@dataclass(frozen=True)
class Truth:
    """What all maps say at the same pupils.

    `pupils_mm` (m, 3), the first `mesh_pupils` of them those of the meshes; `pixel` (n, 2) per channel;
    `maps` by (channel, colour). `lit_deg` (m, n) per channel, where it was asked for: how far inside what any
    channel lights the directions of the channel's points lie, in its first colour, degrees.
    """

    pupils_mm: FloatArray
    mesh_pupils: int
    pixel: Mapping[str, FloatArray]
    maps: Mapping[tuple[str, str], MapPoints]
    lit_deg: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def first_colour(self) -> str:
        """The colour whose directions `lit_deg` is of."""
        return next(colour for _, colour in self.maps)

    def px_error(
        self, channel: str, colour: str, tangent: FloatArray | NDArray[np.float32], pupils: slice | int, /
    ) -> FloatArray:
        """Return the error, panel px, of directions (..., n, 2) for some pupils; infinite where no number."""
        points = self.maps[channel, colour]
        error = px_error(tangent - points.tangent[pupils], points.px_per_tangent[pupils])
        return np.where(np.isfinite(error), error, np.inf)


def truth_of(build: DeviceBuild, /, *, per_pupil: bool = True, lit: bool = False) -> Truth:
    """Evaluate the fit for `truth.npz`: two corners of the eye box, its middle, random places in it.

    `per_pupil`: the build's pupil positions come first, for artefacts that hold those; without them the file
    stays below `SMALL_BYTES`. `lit`: with what is lit, for masks.
    """
    random = np.random.default_rng(_SEED)
    low, high = build.pupil_box_mm
    extra = random.uniform(low, high, (_EXTRA_PUPILS if per_pupil else _PUPILS_ALONE, 3))
    extra[:3] = low, high, 0.5 * (low + high)
    own = build.pupils_mm if per_pupil else np.zeros((0, 3))
    pupils = np.concatenate([own, extra])
    if per_pupil:
        count = int(np.clip(_POINTS_IN_ALL // len(pupils), _FEWEST_POINTS, _MOST_POINTS))
    else:
        each = _BYTES_PER_POINT * len(pupils) * len(build.channels) * len(build.colours)
        count = int(np.clip((SMALL_BYTES - _HEAD_BYTES) // each, _CORNERS, _MOST_POINTS))
    pixel, seen = {}, {}
    for channel in build.channels:
        width, height = build.panel_size_px(channel)
        points = random.uniform([0.0, 0.0], [width, height], (count, 2))
        points[:_CORNERS] = np.array([[0, 0], [1, 0], [0, 1], [1, 1]]) * build.panel_size_px(channel)
        pixel[channel] = points
        for colour in build.colours:
            seen[channel, colour] = _directions(build, channel, colour, points, pupils)
    blends = _blends(build, {key: tangent for key, (tangent, _) in seen.items()}, pupils)
    maps = {
        key: MapPoints(*seen[key], blends[key], _gains(build, key, pixel[key[0]], seen[key][0], pupils))
        for key in seen
    }
    depths = (
        {name: _lit_deg(build, maps[name, build.colours[0]].tangent, pupils) for name in pixel} if lit else {}
    )
    return Truth(pupils, len(own), pixel, maps, depths)


def truth_file(build: DeviceBuild, truth: Truth, facts: JsonObject, /) -> PackageFile:
    """Return `truth.npz`, with the facts of the display (`manifest.display_facts`)."""
    arrays: dict[str, np.ndarray] = {}
    notes = []

    def add(name: str, values: np.ndarray, axes: tuple[str, ...], unit: str, frame: str = "") -> None:
        arrays[name] = values
        notes.append(ArrayNote(name, values.shape, axes, values.dtype.name, unit, frame))

    count = np.array([truth.mesh_pupils], dtype=np.int64)
    add("pupils_mm", truth.pupils_mm, ("pupils", "x, y, z"), "mm", PUPIL_FRAME)
    add("mesh_pupils", count, ("one",), "how many of the pupils, from the first, are those of the meshes")
    each = ("pupils", "points")
    for place, channel in enumerate(build.channels):
        add(f"c{place}_pixel", truth.pixel[channel], ("points", "u, v"), "px", PANEL_FRAME)
        for number, colour in enumerate(build.colours):
            own, name = truth.maps[channel, colour], f"c{place}_{number}"
            what, slope = f"channel '{channel}', colour '{colour}'", own.px_per_tangent.astype(np.float32)
            add(f"{name}_tangent", own.tangent, (*each, "tx, ty"), "tangent", f"{what}: {DIRECTION_FRAME}")
            add(f"{name}_px_per_tangent", slope, (*each, "u, v", "tx, ty"), "panel px per tangent", what)
            add(f"{name}_blend", own.blend, each, "fraction of linear light", what)
            add(f"{name}_gain", own.gain, each, "factor on linear light", what)
        if channel in truth.lit_deg:
            what = f"directions of channel '{channel}', colour '{build.colours[0]}', inside what is lit"
            depth = truth.lit_deg[channel].astype(np.float32)
            add(f"c{place}_lit_deg", depth, each, "degrees, negative outside", what)
    add("facts", np.frombuffer(canonical_bytes(facts), dtype=np.uint8), ("bytes",), "JSON in UTF-8")
    what = "what the fit says at random points; every artefact is compared with it; facts of the display"
    return PackageFile(PATH, npz_bytes(arrays), KIND, what, tuple(notes))


def read_truth(path: Path, channels: list[str], colours: list[str], /) -> Truth:
    """Read `truth.npz`.

    Raises
    ------
    PackageError
        It is not such a file, or its arrays do not fit together.
    """
    try:
        arrays = read_npz(path, limit_bytes=LIMIT_BYTES, what="truth of a package")
        pupils = _shaped(arrays["pupils_mm"], None, 3)
        count = int(arrays["mesh_pupils"].reshape(-1)[0])
        pixel, maps, lit_deg = {}, {}, {}
        for place, channel in enumerate(channels):
            pixel[channel] = points = _shaped(arrays[f"c{place}_pixel"], None, 2)
            for number, colour in enumerate(colours):
                name, shape = f"c{place}_{number}", (len(pupils), len(points))
                maps[channel, colour] = MapPoints(
                    _shaped(arrays[f"{name}_tangent"], *shape, 2),
                    _shaped(arrays[f"{name}_px_per_tangent"], *shape, 2, 2),
                    _shaped(arrays[f"{name}_blend"], *shape),
                    _shaped(arrays[f"{name}_gain"], *shape),
                )
            if f"c{place}_lit_deg" in arrays:
                lit_deg[channel] = _shaped(arrays[f"c{place}_lit_deg"], len(pupils), len(points))
        if not 0 <= count <= len(pupils):
            raise ValueError(f"{count} mesh pupils of {len(pupils)}")
    except (KeyError, ValueError, IndexError) as cause:
        raise PackageError(f"{path}: not the truth of a package ({cause}). Export again.") from cause
    except InputFileError as cause:
        raise PackageError(str(cause)) from cause
    return Truth(pupils, count, pixel, maps, lit_deg)


def read_facts(path: Path, /) -> JsonObject | None:
    """Return the facts of the display in `truth.npz`; None where it holds none, or what is no JSON object."""
    arrays = read_npz(path, limit_bytes=LIMIT_BYTES, what="truth of a package")
    if "facts" not in arrays:
        return None
    try:
        found = manifest_from_bytes(arrays["facts"].tobytes())
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def truth_difference(truth: Truth, fields: FieldSet, /) -> float:
    """Return how far, panel px, `truth.npz` is from a fit at most."""
    worst = 0.0
    for channel, colour in truth.maps:
        own = fields.field(channel, colour)
        tangent = own.forward_from_all(truth.pixel[channel], pupils_mm=truth.pupils_mm)
        worst = max(worst, float(truth.px_error(channel, colour, tangent, slice(None)).max()))
    return worst


def _lit_deg(build: DeviceBuild, tangent: FloatArray, pupils: FloatArray) -> FloatArray:
    """Return how far inside what any channel lights directions (m, n, 2) lie from pupils (m, 3), degrees."""
    lights = channel_lights(build.fields, build.channels)
    depth = [
        [light.depth_deg(seen, pupil_mm=pupil) for light in lights]
        for seen, pupil in zip(tangent, pupils, strict=True)
    ]
    # As the file holds it.
    return np.asarray(np.max(depth, axis=1).astype(np.float32).astype(float))


def _directions(
    build: DeviceBuild, channel: str, colour: str, pixel: FloatArray, pupils: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return directions (m, n, 2) and panel px per tangent (m, n, 2, 2) of panel points from pupils."""
    own = build.fields.field(channel, colour)
    inside = inside_border(border_of(own), pixel)
    steps = _SLOPE_STEP_PX * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    around = own.forward_from_all((pixel + steps[:, None]).reshape(-1, 2), pupils_mm=pupils)
    here, right, left, below, above = np.moveaxis(around.reshape(len(pupils), len(steps), -1, 2), 1, 0)
    columns = np.stack([right - left, below - above], axis=-1) / (2.0 * _SLOPE_STEP_PX)
    slopes = [heeded(one, inside) for one in np.linalg.inv(columns)]
    # As the file holds them, so that errors measured now and from the file are the same.
    return np.ascontiguousarray(here), np.stack(slopes).astype(np.float32).astype(float)


def _blends(
    build: DeviceBuild, tangent: Mapping[tuple[str, str], FloatArray], pupils: FloatArray
) -> dict[tuple[str, str], FloatArray]:
    """Return the blend weights (m, n) of every channel and colour, in its own directions (m, n, 2)."""
    if build.seam is None:
        return {key: np.ones(one.shape[:2]) for key, one in tangent.items()}
    # From each pupil all at once; channels have as many points.
    found = [
        build.seam.at(pupil).weights(np.stack([one[number] for one in tangent.values()]))
        for number, pupil in enumerate(pupils)
    ]
    return {
        key: np.stack([weights[build.seam.index(key[0]), place] for weights in found])
        for place, key in enumerate(tangent)
    }


def _gains(
    build: DeviceBuild, key: tuple[str, str], pixel: FloatArray, tangent: FloatArray, pupils: FloatArray
) -> FloatArray:
    match = build.match
    if match is None:
        return np.ones(tangent.shape[:2])
    return np.stack(
        [match.gain(*key, pixel, one, pupil_mm=pupil) for one, pupil in zip(tangent, pupils, strict=True)]
    )


def _shaped(array: np.ndarray, *shape: int | None) -> FloatArray:
    array = array.astype(float)
    if array.ndim != len(shape) or any(
        want not in (None, got) for want, got in zip(shape, array.shape, strict=True)
    ):
        raise ValueError(f"an array of shape {array.shape}; expected {shape}")
    if not np.isfinite(array).all():
        raise ValueError("numbers that are not finite")
    return array
