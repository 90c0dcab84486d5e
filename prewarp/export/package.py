"""Writing a device package: one folder with everything, verified before it takes its place.

manifest.json          every file with hash, arrays, units, frames; errors reached; provenance; cautions
manifest.schema.json   JSON Schema of the manifest
truth.npz              what the fit says at random points
lookup/, c/            tables as a blob, its layout, C evaluator
meshes/, tables/       meshes as CSV and glTF; 16-bit PNG and KTX2 textures
shaders/               one folder per dialect
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from prewarp import __version__
from prewarp.errors import PackageError
from prewarp.export import csv_mesh, lookup_files, png_table
from prewarp.export.build import DeviceBuild
from prewarp.export.manifest import manifest_of, schema_file
from prewarp.export.package_file import PackageFile
from prewarp.export.package_reading import MANIFEST
from prewarp.export.quantise import coded_table
from prewarp.export.reached import Held, Tally
from prewarp.export.truth import Truth, truth_file, truth_of
from prewarp.export.verify import VerifyResult, require_verified, verify_package
from prewarp.files import json_text, output_folder, write_bytes
from prewarp.lookup import Lookup

FORMATS = ("lookup", "csv", "png")


@dataclass(frozen=True)
class PackageResult:
    """`manifest` as written, and the `verification` that it passed."""

    manifest: dict
    verification: VerifyResult


def export_package(
    folder: Path,
    build: DeviceBuild,
    /,
    *,
    formats: tuple[str, ...] = FORMATS,
    lookup: Lookup | None = None,
    limit_px: float = 0.25,
    eye: str = "",
    provenance: Mapping[str, object] | None = None,
    extra: tuple[PackageFile, ...] = (),
    progress: Callable[[str], None] = lambda text: None,
) -> PackageResult:
    """Write a package beside its place, verify it, and rename it into place.

    Parameters
    ----------
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    build : DeviceBuild
        What is exported.
    formats : tuple of str
        Which of `FORMATS` to write.
    lookup : Lookup, optional
        Needed for the formats "lookup" and the polynomial shaders: tables of the channels and colours of `build`.
    limit_px : float
        Largest error that the lookup was asked to keep and that tables of splines must keep, panel px.
    eye : str
        Which eye, for the manifest.
    provenance : mapping, optional
        Facts about the fit, written into the manifest as they are (JSON).
    extra : tuple of PackageFile
        Further files to carry, such as the picture of the trade.
    progress : callable, optional
        Called with a text before each step.

    Raises
    ------
    PackageError
        An unknown format, tables that cannot keep the limit, or what was read back is not what was written.
    InputFileError
        The folder holds something that this package did not write.
    """
    unknown = [name for name in formats if name not in FORMATS]
    if unknown or not formats:
        raise PackageError(
            f"formats are {', '.join(formats) or 'none'}; expected some of {', '.join(FORMATS)}."
        )
    if lookup is not None:
        lookup_files.require_whole(lookup, build.channels, build.colours)
        lookup = lookup_files.with_surfaces(lookup, build)
    elif "lookup" in formats:
        raise PackageError("the format 'lookup' needs a lookup; none was given.")
    with output_folder(Path(folder)) as working:
        tally, entries = Tally(), []
        progress("evaluating the fit at random points")
        truth = truth_of(build)
        for file in _files(build, truth, tally, formats, lookup, limit_px, progress):
            entries.append(_written(working, file))
        entries += [_written(working, file) for file in (truth_file(build, truth), schema_file(), *extra)]
        manifest = manifest_of(
            build,
            entries,
            list(tally),
            eye=eye,
            limit_px=limit_px,
            version=__version__,
            provenance=provenance,
        )
        write_bytes(working / MANIFEST, json_text(manifest).encode())
        progress("verifying")
        verification = verify_package(working, build=build, progress=progress)
        require_verified(verification, Path(folder))
    return PackageResult(manifest, verification)


def _files(
    build: DeviceBuild,
    truth: Truth,
    tally: Tally,
    formats: tuple[str, ...],
    lookup: Lookup | None,
    limit_px: float,
    progress: Callable[[str], None],
) -> Iterator[PackageFile]:
    if "lookup" in formats:
        progress("lookup")
        yield from lookup_files.lookup_package_files(lookup, limit_px)
        _claim_lookup(lookup, truth, tally)
    if set(formats) & {"csv", "png"}:
        for channel in build.channels:
            progress(f"meshes of channel '{channel}'")
            for pupil in range(len(build.pupils_mm)):
                yield from _mesh_files(build, truth, tally, formats, channel, pupil, limit_px)


def _mesh_files(
    build: DeviceBuild,
    truth: Truth,
    tally: Tally,
    formats: tuple[str, ...],
    channel: str,
    pupil: int,
    limit_px: float,
) -> Iterator[PackageFile]:
    for colour in build.colours:
        mesh = build.mesh(channel, colour, pupil)
        spline = mesh.spline()
        held = partial(Held, truth=truth, content=build.content, channel=channel, colour=colour, pupil=pupil)
        reached = held(csv_mesh.KIND).spline(spline)
        if reached.px > limit_px:
            raise PackageError(
                f"channel '{channel}', {colour}: meshes with nodes {build.step_px:g} px apart are {reached.px:.3g} px off; "
                f"expected at most {limit_px:g} px. Use a smaller --step, or allow a larger error."
            )
        if "csv" in formats:
            tally.add(reached)
            yield csv_mesh.csv_file(build, mesh, pupil)
        if "png" in formats:
            tally.add(held(png_table.KIND).spline(coded_table(spline).spline()))
            yield from png_table.png_files(build, mesh, pupil)


def _claim_lookup(lookup: Lookup, truth: Truth, tally: Tally) -> None:
    """Claim what was measured densely for the maps, and what is measured here for weights and gains."""
    here = Tally()
    lookup_files.blob_reached(lookup, truth, here)
    for reached in here:
        table = lookup.maps[lookup.map_index(reached.channel, reached.colour)]
        claimed = float(np.nextafter(np.float32(table.error_px), np.float32(np.inf)))
        tally.add(replace(reached, px=claimed))


def _written(folder: Path, file: PackageFile) -> dict:
    write_bytes(folder / file.path, file.data)
    return file.entry()
