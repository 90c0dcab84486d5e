"""Writing a device package: one folder with everything, verified before it takes its place.

manifest.json          every file with hash, arrays, units, frames; errors reached; provenance; cautions
manifest.schema.json   JSON Schema of the manifest
truth.npz              what the fit says at random points
lookup/, c/            tables as a blob, its layout, C evaluator
meshes/, tables/       meshes as CSV and glTF; 16-bit PNG and KTX2 textures
shaders/               one folder per dialect
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from prewarp import __version__
from prewarp.errors import PackageError
from prewarp.export import csv_mesh, gltf, lookup_files, png_table, texture_table
from prewarp.export.build import DeviceBuild
from prewarp.export.guide import guide_file
from prewarp.export.manifest import CAUTIONS, manifest_of, schema_file
from prewarp.export.package_file import JsonObject, PackageFile
from prewarp.export.package_reading import MANIFEST
from prewarp.export.polynomial_block import KIND as BLOCK
from prewarp.export.quantise import TableScale, coded_table
from prewarp.export.reached import Held, Reached, Tally
from prewarp.export.shader_checks import one_block_reached
from prewarp.export.shader_files import DIALECTS, not_available, picture_files, shader_package_files
from prewarp.export.shader_text import VULKAN
from prewarp.export.shader_translation import TOOLS, missing_tools, translated_files
from prewarp.export.texture_table import texture_file, texture_scale
from prewarp.export.truth import Truth, truth_file, truth_of
from prewarp.export.verify import VerifyResult, require_verified, verify_package
from prewarp.files import json_text, output_folder, write_bytes
from prewarp.lookup import Lookup

FORMATS = ("lookup", "csv", "png", "ktx2", "gltf", "shaders")

# Plane and scale of KTX2 tables, by channel and colour.
SharedScales = Mapping[str, Mapping[str, TableScale]]


@dataclass(frozen=True)
class PackageOptions:
    """What goes into a package, and how.

    Parameters
    ----------
    formats : tuple of str
        Which of `FORMATS` to write.
    lookup : Lookup, optional
        Needed for the format "lookup" and for polynomial shaders: tables of the channels and colours of the
        build.
    limit_px : float
        Largest error that the lookup was asked to keep and that tables of splines must keep, panel px.
    texture : str
        How KTX2 tables are stored, one of `texture_table.STORAGES`.
    dialects : tuple of str
        Dialects of the shaders, some of `shader_files.DIALECTS`; HLSL and MSL are translated from the last,
        where it is asked for and the programs are installed.
    eye : str
        Which eye, for the manifest.
    provenance : mapping
        Facts about the fit, written into the manifest as they are (JSON).
    extra : tuple of PackageFile
        Further files to carry, such as the picture of the trade.

    Raises
    ------
    PackageError
        An unknown format or storage.
    """

    formats: tuple[str, ...] = FORMATS
    lookup: Lookup | None = None
    limit_px: float = 0.25
    texture: str = "snorm16"
    dialects: tuple[str, ...] = DIALECTS
    eye: str = ""
    provenance: Mapping[str, object] = field(default_factory=dict)
    extra: tuple[PackageFile, ...] = ()

    def __post_init__(self) -> None:
        for name, given, known in (("formats", self.formats, FORMATS), ("dialects", self.dialects, DIALECTS)):
            if not given or not set(given) <= set(known):
                raise PackageError(
                    f"{name} are {', '.join(given) or 'none'}; expected some of {', '.join(known)}."
                )
        if self.texture not in texture_table.STORAGES:
            expected = ", ".join(texture_table.STORAGES)
            raise PackageError(f"texture is {self.texture!r}; expected one of {expected}.")


@dataclass(frozen=True)
class PackageResult:
    """`manifest` as written, and the `verification` that it passed."""

    manifest: JsonObject
    verification: VerifyResult


def export_package(
    folder: Path,
    build: DeviceBuild,
    options: PackageOptions,
    /,
    *,
    progress: Callable[[str], None] = lambda text: None,
) -> PackageResult:
    """Write a package beside its place, verify it, and rename it into place.

    Parameters
    ----------
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    build : DeviceBuild
        What is exported.
    options : PackageOptions
        What goes into it.
    progress : callable, optional
        Called with a text before each step.

    Raises
    ------
    PackageError
        A lookup is missing, tables that cannot keep the limit, a lookup of something else, or what was read
        back is not what was written.
    InputFileError
        The folder holds something that this package did not write.
    """
    if options.lookup is None and "lookup" in options.formats:
        raise PackageError("the format 'lookup' needs a lookup; none was given.")
    if options.lookup is not None:
        lookup_files.require_whole(options.lookup, build.channels, build.colours)
        options = replace(options, lookup=lookup_files.with_light(options.lookup, build))
    with output_folder(Path(folder)) as working:
        tally = Tally()
        entries: list[JsonObject] = []
        progress("evaluating the fit at random points")
        truth = truth_of(build)
        shared: dict[str, dict[str, TableScale]] = {}
        if "ktx2" in options.formats:
            progress("ranges of the textures")
            for channel in build.channels:
                shared[channel] = {one: texture_scale(build, channel, one) for one in build.colours}
        for file in _files(build, truth, tally, options, shared, progress):
            entries.append(_written(working, file))
        for file in (truth_file(build, truth), schema_file(), guide_file(build, CAUTIONS), *options.extra):
            entries.append(_written(working, file))
        manifest = manifest_of(
            build,
            entries,
            list(tally),
            eye=options.eye,
            limit_px=options.limit_px,
            missing=_missing(build, options, shared),
            version=__version__,
            provenance=options.provenance,
        )
        write_bytes(working / MANIFEST, json_text(manifest).encode())
        progress("verifying")
        verification = verify_package(working, fields=build.fields, progress=progress)
        require_verified(verification, Path(folder))
    return PackageResult(manifest, verification)


def _files(
    build: DeviceBuild,
    truth: Truth,
    tally: Tally,
    options: PackageOptions,
    shared: SharedScales,
    progress: Callable[[str], None],
) -> Iterator[PackageFile]:
    formats, lookup = options.formats, options.lookup
    if "lookup" in formats and lookup is not None:
        progress("lookup")
        yield from lookup_files.lookup_package_files(lookup, options.limit_px)
        _claim_lookup(lookup, truth, tally)
    if set(formats) & {"csv", "png", "ktx2", "gltf"}:
        for channel in build.channels:
            progress(f"meshes of channel '{channel}'")
            yield from _mesh_files(build, truth, tally, options, shared.get(channel, {}), channel)
    if "shaders" in formats:
        progress("shaders")
        for file in _shaders(build, truth, tally, options, shared):
            yield file
            if not missing_tools():
                yield from translated_files(file)


def _shaders(
    build: DeviceBuild, truth: Truth, tally: Tally, options: PackageOptions, shared: SharedScales
) -> Iterator[PackageFile]:
    yield from picture_files(options.dialects)
    for channel in build.channels:
        for file in shader_package_files(
            build, channel, options.dialects, options.lookup, shared.get(channel, {})
        ):
            if file.kind == BLOCK:
                size = build.panel_size_px(channel)
                tally.extend(one_block_reached(file.data, file.details, size, truth, where=file.path))
            yield file


def _missing(build: DeviceBuild, options: PackageOptions, shared: SharedScales) -> list[JsonObject]:
    """Return what a reader might look for in vain, and why."""
    absent = [name for name in FORMATS if name not in options.formats]
    missing: list[JsonObject] = [{"what": name, "channel": None, "why": "not asked for"} for name in absent]
    if "shaders" not in options.formats:
        return missing
    missing += not_available(build, options.lookup, shared)
    tools, why = missing_tools(), ""
    if tools:
        why = f"translated by {' and '.join(TOOLS)}; not installed: {', '.join(tools)}"
    elif VULKAN not in options.dialects:
        why = f"translated from {VULKAN}, which was not asked for"
    return missing + ([{"what": "HLSL and MSL", "channel": None, "why": why}] if why else [])


def _mesh_files(
    build: DeviceBuild,
    truth: Truth,
    tally: Tally,
    options: PackageOptions,
    shared: Mapping[str, TableScale],
    channel: str,
) -> Iterator[PackageFile]:
    formats = options.formats
    for pupil in range(len(build.pupils_mm)):
        meshes = {}
        for colour in build.colours:
            meshes[colour] = mesh = build.mesh(channel, colour, pupil)
            spline = mesh.spline()
            held = partial(
                Held, truth=truth, content=build.content, channel=channel, colour=colour, pupil=pupil
            )
            reached = held(csv_mesh.KIND).spline(spline)
            _require_fine(reached, build, options)
            if "csv" in formats:
                tally.add(reached)
                yield csv_mesh.csv_file(build, mesh, pupil)
            if "png" in formats:
                codes, scale = coded_table(spline)
                tally.add(held(png_table.KIND).spline(scale.spline(codes)))
                yield from png_table.png_files(build, mesh, pupil)
            if "ktx2" in formats:
                file, stored = texture_file(build, mesh, pupil, shared[colour], options.texture)
                reached = held(texture_table.KIND).spline(stored)
                tally.add(reached)
                _require_fine(reached, build, options)
                yield file
            if "gltf" in formats:
                nodes = np.concatenate([mesh.tangent, mesh.weight[..., None]], axis=-1).astype(np.float32)
                tally.add(held(gltf.KIND).triangles(nodes.astype(float), mesh.panel_size_px))
        if "gltf" in formats:
            yield gltf.gltf_file(build, meshes, pupil)


def _require_fine(reached: Reached, build: DeviceBuild, options: PackageOptions) -> None:
    """Raise where a table cannot keep the error asked for. (A mesh of triangles only states its error.)"""
    if reached.px is not None and reached.px <= options.limit_px:
        return
    what, mend = f"meshes with nodes {build.step_px:g} px apart", "a smaller --step"
    if reached.kind == texture_table.KIND:
        what, mend = f"textures of kind '{options.texture}'", "--texture snorm16"
    raise PackageError(
        f"channel '{reached.channel}', {reached.colour}: {what} are {reached.px:.3g} px off; expected at "
        f"most {options.limit_px:g} px. Use {mend}, or allow a larger error."
    )


def _claim_lookup(lookup: Lookup, truth: Truth, tally: Tally) -> None:
    """Claim what was measured densely for the maps, and what is measured here for weights and gains."""
    for reached in Tally(lookup_files.blob_reached(lookup, truth)):
        table = lookup.maps[lookup.map_index(reached.channel, reached.colour)]
        claimed = float(np.nextafter(np.float32(table.error_px), np.float32(np.inf)))
        tally.add(replace(reached, px=claimed))


def _written(folder: Path, file: PackageFile) -> JsonObject:
    write_bytes(folder / file.path, file.data)
    return file.entry()
