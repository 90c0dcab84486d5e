"""What a package made from photographs is worth beside the trace of what was photographed.

A capture cannot tell a shift, a turn or a scale common to all its shots: seven numbers for all channels and
colours together. They are taken out where the map is judged (the three of the turn by their true rotation),
and stay in where the seam is: there they cancel, as far as both images lie at one distance.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.demo.bench_build import BenchBuilt
from prewarp.demo.truth import TracedOptics
from prewarp.field import Field, FieldSet
from prewarp.frames import ARCMIN_PER_RADIAN, arcmin_between, unit_from_tangent
from prewarp.lookup import Status, prepare
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.trace import reach_lattice, trace_channel

PUPILS, DIRECTIONS = 20, (15, 12)
SEAM_PUPILS = 5
SEED = 7
_STEP_MM = 0.01


@dataclass(frozen=True)
class Judged:
    """Errors beside the trace, arcmin: `map_arcmin` (n,) of the fit at unseen pupils after removal of shift,
    turn and scale; `raw_arcmin` (n,) without; `seam_arcmin` (m,) between the channels' pictures of one
    direction, drawn by the package.
    """

    map_arcmin: FloatArray
    raw_arcmin: FloatArray
    seam_arcmin: FloatArray

    def as_dict(self) -> dict[str, Any]:
        """Return the figures for machines; units are in the keys."""
        named = {"map": self.map_arcmin, "map_raw": self.raw_arcmin, "seam_of_package": self.seam_arcmin}
        return {key: spread_arcmin(values) for key, values in named.items()}


def spread_arcmin(values: FloatArray, /) -> dict[str, float | int | None]:
    """Return how many errors (n,) there are, their median, RMS, 95th percentile and largest, arcmin."""
    known = values[np.isfinite(values)]
    names = ("median_arcmin", "rms_arcmin", "p95_arcmin", "max_arcmin")
    if known.size == 0:
        return {"count": 0, **dict.fromkeys(names)}
    figures = (np.median(known), np.sqrt(np.mean(known**2)), np.quantile(known, 0.95), known.max())
    return {"count": known.size, **dict(zip(names, map(float, figures), strict=True))}


def judged(built: BenchBuilt, optics: TracedOptics, package: Path, /) -> Judged:
    """Return how far fit and package lie off the trace, from pupil positions that no photograph had."""
    raw, removed = map_errors(built.fields, optics)
    return Judged(removed, raw, package_seam_errors(built, optics, package))


def map_errors(fields: FieldSet, optics: TracedOptics, /) -> tuple[FloatArray, FloatArray]:
    """Return errors (n,) of all fields at unseen pupils of the eye box, arcmin: as they are, and after the
    shift, turn and scale that agree best are taken out.
    """
    module = optics.module
    half = np.array(module.eye_box.half_mm)
    pupil = np.random.default_rng(SEED).uniform(-1.0, 1.0, (PUPILS, 3)) * half
    rest, columns = [], []
    for channel in module.channels:
        said = reach_lattice(channel, DIRECTIONS)
        for colour in fields.colours:
            traced = trace_channel(
                optics.design.channel(channel.name),
                channel.panel,
                said,
                pupil_mm=pupil[:, None],
                wavelength_nm=module.colour(colour).wavelength_nm,
            )
            good = traced.valid
            at = np.broadcast_to(pupil[:, None], (*good.shape, 3))[good]
            true = np.broadcast_to(said, (*good.shape, 2))[good]
            off, own = _error_and_motions(fields.field(channel.name, colour), traced.pixel[good], at, true)
            rest.append(off)
            columns.append(own)
    error, motions = np.concatenate(rest), np.concatenate(columns)
    flat = motions.reshape(-1, motions.shape[-1])
    flat = flat / np.linalg.norm(flat, axis=0)
    left = error.ravel() - flat @ np.linalg.lstsq(flat, error.ravel(), rcond=1e-9)[0]
    raw, removed = (np.linalg.norm(one.reshape(-1, 3), axis=1) * ARCMIN_PER_RADIAN for one in (error, left))
    return raw, removed


def _error_and_motions(
    field: Field, pixel: FloatArray, pupil: FloatArray, true: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return errors (n, 3) of unit vectors, and what seven common motions add to them (n, 3, 7)."""

    def seen(place: FloatArray) -> FloatArray:
        return unit_from_tangent(field.forward(pixel, pupil_mm=place))

    found = seen(pupil)
    by_pupil = [(seen(pupil + step) - seen(pupil - step)) / (2.0 * _STEP_MM) for step in _STEP_MM * np.eye(3)]
    motions = list(by_pupil)
    for axis in np.eye(3):
        moved = np.cross(axis, pupil)
        motions.append(np.cross(axis, found) - sum(slope * moved[:, [k]] for k, slope in enumerate(by_pupil)))
    scale: FloatArray = np.sum([slope * pupil[:, [k]] for k, slope in enumerate(by_pupil)], axis=0)
    motions.append(scale)
    return found - unit_from_tangent(true), np.stack(motions, axis=-1)


def package_seam_errors(built: BenchBuilt, optics: TracedOptics, package: Path, /) -> FloatArray:
    """Return the angle (n,) between the places where two channels truly show one direction, arcmin.

    Each draws it where the package's own lookup says, in the reference colour, at pupils that were not
    photographed; NaN where not both show it.
    """
    fields = built.fields
    lookup = lookup_from_blob((package / "lookup" / "lookup.prewarp").read_bytes())
    colour = fields.colours[0]
    (overlap,) = built.eye.overlaps()
    half = np.array(built.module.eye_box.half_mm)
    found = []
    for pupil in np.random.default_rng(SEED + 1).uniform(-1.0, 1.0, (SEAM_PUPILS, 3)) * half:
        seen = []
        for channel in overlap.channels:
            own = prepare(lookup, lookup.map_index(channel, colour), pupil)
            pixel, status = own.panel_from_direction(overlap.tangent)
            shown = np.where((status == Status.OK)[:, None], pixel.astype(np.float64), np.nan)
            seen.append(optics.seen(fields.field(channel, colour), shown, pupil_mm=pupil))
        found.append(arcmin_between(*seen))
    return np.concatenate(found)
