"""What `export` and `verify` share: a device build from files."""

from collections.abc import Sequence
from pathlib import Path

import click
import numpy as np

from prewarp.checks import FloatArray, extent
from prewarp.export.build import MAX_PUPILS, DeviceBuild
from prewarp.export.package_reading import read_package
from prewarp.field import FieldSet
from prewarp.grids import read_grid
from prewarp.module import Channel, DisplayModule
from prewarp.photometry.lighting import lighting
from prewarp.seam import build_seam


def channels_of_eye(module: DisplayModule, eye: str | None, /) -> tuple[str, tuple[Channel, ...]]:
    """Return the eye and its channels; which eye must be said where the module has two."""
    if eye is None and len(module.eyes) > 1:
        raise click.UsageError(
            f"the module has channels for both eyes; name one with --eye {' or '.join(module.eyes)}."
        )
    eye = eye or module.eyes[0]
    channels = module.channels_of(eye)
    if not channels:
        raise click.UsageError(f"the module has no channel for the {eye} eye.")
    return eye, channels


def device_build(
    fields: FieldSet,
    module: DisplayModule,
    channels: Sequence[Channel],
    places: FloatArray,
    /,
    *,
    step_px: float,
    light_path: Path | None,
    white: str,
    dither: str,
) -> DeviceBuild:
    """Return the build of one eye: seam over the whole eye box, luminance match where a grid with luminance
    is given.
    """
    if len(places) > MAX_PUPILS:
        raise click.UsageError(f"{len(places)} pupil positions; at most {MAX_PUPILS} are written.")
    names = tuple(channel.name for channel in channels)
    box, match = module.eye_box, None
    if light_path is None:
        seam = build_seam(fields, pupils_mm=box.corners, channels=names)
    else:
        lit = lighting(fields, module, channels, read_grid(light_path), white=white)
        fields, seam, match = lit.fields, lit.seam, lit.match
    return DeviceBuild(
        fields,
        module.content,
        names,
        places,
        extent(box.corners),
        seam=seam,
        match=match,
        dither=dither,
        transfers={channel.name: channel.panel.transfer for channel in channels},
        bit_depths={channel.name: channel.panel.bit_depth for channel in channels},
        step_px=step_px,
    )


def build_of_package(package_path: Path, fit_path: Path, /) -> DeviceBuild:
    """Return a build with which the directions of a package's reference points can be made again from a fit."""
    package = read_package(package_path)
    fields = FieldSet.load(fit_path)
    manifest = package.manifest
    for channel in package.channels:
        for colour in package.colours:
            fields.field(channel, colour)
    return DeviceBuild(
        fields, package.content, tuple(package.channels), np.array(manifest["pupils_mm"], dtype=float),
        np.array(manifest["pupil_box_mm"], dtype=float),
    )  # fmt: skip
