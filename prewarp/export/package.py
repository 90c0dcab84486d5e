"""Writing a device package: one folder, verified before it takes its place.

manifest.json          every file with hash, arrays, units, frames; what was asked for; errors reached
manifest.sha256, .sig  digest of the canonical manifest; signature of it, where a key was given
manifest.schema.json   JSON Schema of the manifest
GUIDE.md               how the parts go together
truth.npz              what the fit says at random points
lookup/, c/            tables as a blob, its layout, C evaluator
shaders/, textures/    one folder per dialect; small textures that shaders need

That is what a device needs, and is written where nothing else is asked for. By their formats only:
shaders, textures      for meshes made on the GPU: "gpu"
shaders/hlsl, msl      translations; shaders/blocks: what the uniform block holds, per pupil position
meshes/, tables/       meshes as CSV and glTF, 16-bit PNG and KTX2 textures, per pupil position
views/                 field of view and visibility mask, of the eye box and per pupil position
st/                    where in the content every panel pixel's light comes from, OpenEXR, per pupil position
"""

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from prewarp import __version__
from prewarp.errors import PackageError
from prewarp.export import csv_mesh, gltf, lookup_files, png_table, st_map, texture_table
from prewarp.export.build import DeviceBuild
from prewarp.export.exr import channels_from_exr
from prewarp.export.filter_error import rounding_px
from prewarp.export.gpu_files import gpu_files, gpu_not_available
from prewarp.export.gpu_nodes import KIND as GPU_MESH
from prewarp.export.gpu_nodes import NODES_SHARE, node_counts, nodes_reached
from prewarp.export.gpu_numbers import gpu_plan
from prewarp.export.guide import guide_file
from prewarp.export.judgement import Request, VerifyResult
from prewarp.export.lookup_at_truth import LookupAtTruth
from prewarp.export.manifest import CAUTIONS, display_facts, manifest_of, schema_file
from prewarp.export.package_file import JsonObject, PackageFile
from prewarp.export.package_reading import MANIFEST
from prewarp.export.polynomial_block import KIND as BLOCK
from prewarp.export.quantise import TableScale, coded_table
from prewarp.export.reached import Held, Reached, Tally
from prewarp.export.sealing import Sign, manifest_text, write_seal
from prewarp.export.shader_checks import one_block_reached
from prewarp.export.shader_files import (
    DIALECTS,
    EXACT,
    NOT_ASKED,
    SAMPLINGS,
    not_available,
    picture_files,
    pupil_files,
    shader_package_files,
)
from prewarp.export.shader_text import VULKAN
from prewarp.export.shader_translation import TOOLS, missing_tools, translated_files
from prewarp.export.texture_table import SNORM16, texture_file, texture_scale
from prewarp.export.truth import Truth, truth_file, truth_of
from prewarp.export.verify import DRAWN, LightMeasure, light_figures, require_verified, verify_package
from prewarp.export.view_mask_files import mask_files
from prewarp.files import write_bytes, write_text
from prewarp.folders import output_folder
from prewarp.lookup import Lookup

# What is written, by the names that `--format` takes; the first two where none is named.
FORMATS = ("lookup", "shaders", "gpu", "translations", "blocks", "csv", "png", "ktx2", "gltf", "masks", "st")
DEFAULT_FORMATS = ("lookup", "shaders")
# Those that hold the build's pupil positions, one after the other; of them those made from meshes.
PUPIL_FORMATS = {"blocks", "csv", "png", "ktx2", "gltf", "masks", "st"}
_MESH_FORMATS = {"csv", "png", "ktx2", "gltf", "st"}
# Errors of meshes fall with this power of the distance between their nodes: triangles, cubic splines.
_POWERS = {gltf.KIND: 2.0}
_SPLINE_POWER = 4.0

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
        Needed for the formats "lookup" and "blocks", and for polynomial shaders: tables of the channels and
        colours of the build.
    request : Request
        What every artefact must keep; it goes into the manifest as it is.
    texture : str
        How KTX2 tables are stored, one of `texture_table.STORAGES`.
    sampling : str
        How shaders read content between its pixels, one of `shader_files.SAMPLINGS`.
    dialects : tuple of str
        Dialects of the shaders, some of `shader_files.DIALECTS`; HLSL and MSL are translated from the last,
        where it is asked for and the programs are installed.
    eye : str
        Which eye, for the manifest.
    provenance : mapping
        Facts about the fit, written into the manifest as they are (JSON).
    extra : tuple of PackageFile
        Further files to carry, such as the picture of the trade.
    sign : callable, optional
        Signs the canonical manifest (`signing.read_signing_key`).

    Raises
    ------
    PackageError
        An unknown format or storage.
    """

    formats: tuple[str, ...] = DEFAULT_FORMATS
    lookup: Lookup | None = None
    request: Request = Request()
    texture: str = SNORM16
    sampling: str = EXACT
    dialects: tuple[str, ...] = DIALECTS
    eye: str = ""
    provenance: Mapping[str, object] = field(default_factory=dict)
    extra: tuple[PackageFile, ...] = ()
    sign: Sign | None = None

    def __post_init__(self) -> None:
        for name, given, known in (("formats", self.formats, FORMATS), ("dialects", self.dialects, DIALECTS)):
            if not given or not set(given) <= set(known):
                raise PackageError(
                    f"{name} are {', '.join(given) or 'none'}; expected some of {', '.join(known)}."
                )
        if self.texture not in texture_table.STORAGES:
            expected = ", ".join(texture_table.STORAGES)
            raise PackageError(f"texture is {self.texture!r}; expected one of {expected}.")
        if self.sampling not in SAMPLINGS:
            raise PackageError(f"sampling is {self.sampling!r}; expected one of {', '.join(SAMPLINGS)}.")
        if "translations" in self.formats and not ("shaders" in self.formats and VULKAN in self.dialects):
            raise PackageError(
                f"translations are made from shaders of the dialect {VULKAN}; ask for the format 'shaders' "
                "and that dialect too."
            )
        if "gpu" in self.formats and not {"lookup", "shaders"} <= set(self.formats):
            raise PackageError(
                "meshes made on the GPU are drawn by stages of the format 'shaders' and compared "
                "with the tables of the format 'lookup'; ask for both too."
            )


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
    truth: Truth | None = None,
    light: LightMeasure = light_figures,
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
    truth : Truth, optional
        `truth_for` of build and formats, where it is there already.
    light : callable, optional
        Measures the light of a package from its own bytes; see `verify_package`.
    progress : callable, optional
        Called with a text before each step.

    Raises
    ------
    PackageError
        A lookup is missing, an artefact that does not keep the request, a lookup of something else, or what
        was read back is not what was written. Where finer meshes would do its field `step_px` says how
        fine.
    InputFileError
        The folder holds something that prewarp did not write, or that was changed since.
    """
    for name in ("lookup", "gpu", "blocks"):
        if options.lookup is None and name in options.formats:
            raise PackageError(f"the format '{name}' needs a lookup; none was given.")
    if "st" in options.formats:
        st_map.require_room(build)
    if options.lookup is not None:
        lookup_files.require_whole(options.lookup, build.channels, build.colours)
        options = replace(options, lookup=lookup_files.with_light(options.lookup, build))
    with output_folder(Path(folder)) as working:
        tally = Tally()
        entries: list[JsonObject] = []
        if truth is None:
            progress("evaluating the fit at random points")
            truth = truth_for(build, options.formats)
        shared: dict[str, dict[str, TableScale]] = {}
        if "ktx2" in options.formats:
            progress("ranges of the textures")
            for channel in build.channels:
                shared[channel] = {one: texture_scale(build, channel, one) for one in build.colours}
        for file in _files(build, truth, tally, options, shared, progress):
            entries.append(_written(working, file))
        facts = display_facts(build, options.eye)
        for file in (
            truth_file(build, truth, facts),
            schema_file(),
            guide_file(build, CAUTIONS, options.lookup),
            *options.extra,
        ):
            entries.append(_written(working, file))
        manifest = manifest_of(
            build,
            entries,
            list(tally),
            eye=options.eye,
            request=options.request,
            missing=_missing(build, options, shared),
            version=__version__,
            provenance=options.provenance,
        )
        write_text(working / MANIFEST, manifest_text(manifest))
        write_seal(working, manifest, options.sign)
        progress("verifying")
        verification = verify_package(working, fields=build.fields, light=light, progress=progress)
        require_verified(verification, Path(folder))
    return PackageResult(manifest, verification)


def truth_for(build: DeviceBuild, formats: Collection[str], /) -> Truth:
    """Return what artefacts of some formats are held to."""
    return truth_of(build, per_pupil=not PUPIL_FORMATS.isdisjoint(formats), lit="masks" in formats)


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
        yield from lookup_files.lookup_package_files(lookup)
        tally.extend(lookup_files.blob_reached(LookupAtTruth(lookup, truth)))
    if "blocks" in formats:
        yield from _blocks(build, truth, tally, options)
    if "gpu" in formats and lookup is not None:
        progress("meshes made on the GPU")
        for file in _gpu(build, truth, tally, options, lookup):
            yield file
            if "translations" in formats and not missing_tools():
                yield from translated_files(file)
    if "masks" in formats:
        progress("view masks")
        yield from mask_files(build)
    if not _MESH_FORMATS.isdisjoint(formats):
        for channel in build.channels:
            progress(f"meshes of channel '{channel}'")
            yield from _mesh_files(build, truth, tally, options, shared.get(channel, {}), channel)
    if "shaders" in formats:
        progress("shaders")
        translated = "translations" in formats and not missing_tools()
        for file in _shaders(build, options, shared):
            yield file
            if translated:
                yield from translated_files(file)


def _shaders(build: DeviceBuild, options: PackageOptions, shared: SharedScales) -> Iterator[PackageFile]:
    yield from picture_files(options.dialects)
    for channel in build.channels:
        yield from shader_package_files(
            build,
            channel,
            options.dialects,
            options.lookup,
            shared.get(channel, {}),
            sampling=options.sampling,
        )


def _blocks(build: DeviceBuild, truth: Truth, tally: Tally, options: PackageOptions) -> Iterator[PackageFile]:
    for file in pupil_files(build, options.lookup):
        if file.kind == BLOCK:
            size = build.panel_size_px(file.details["channel"])
            tally.extend(one_block_reached(file.data, file.details, size, truth, where=file.path))
        yield file


def _gpu(
    build: DeviceBuild, truth: Truth, tally: Tally, options: PackageOptions, lookup: Lookup
) -> Iterator[PackageFile]:
    """Yield what makes meshes on the GPU, and count what those reach; nothing where they cannot be made."""
    if isinstance(gpu_plan(lookup, build.channels, build.planes), str):
        return
    taken_px = rounding_px(truth, build.content, options.sampling)
    limit_px = NODES_SHARE * options.request.max_error_px
    nodes = {}
    for channel in build.channels:
        nodes[channel] = node_counts(lookup, truth, channel, build.planes, limit_px)
        for reached in nodes_reached(lookup, truth, channel, build.planes, nodes[channel]):
            tally.add(reached)
            _require_fine(reached, build, options, taken_px)
    yield from gpu_files(build, lookup, nodes, options.dialects, sampling=options.sampling)


def _missing(build: DeviceBuild, options: PackageOptions, shared: SharedScales) -> list[JsonObject]:
    """Return what a reader might look for in vain, and why."""
    absent = [name for name in FORMATS if name not in options.formats]
    missing: list[JsonObject] = [{"what": name, "channel": None, "why": NOT_ASKED} for name in absent]
    if "shaders" in options.formats:
        missing += not_available(build, options.lookup, shared)
    if "gpu" in options.formats:
        missing += gpu_not_available(build, options.lookup)
    tools = missing_tools()
    if "translations" in options.formats and tools:
        why = f"translated by {' and '.join(TOOLS)}; not installed: {', '.join(tools)}"
        missing.append({"what": "HLSL and MSL", "channel": None, "why": why})
    return missing


def _mesh_files(
    build: DeviceBuild,
    truth: Truth,
    tally: Tally,
    options: PackageOptions,
    shared: Mapping[str, TableScale],
    channel: str,
) -> Iterator[PackageFile]:
    formats = options.formats
    taken_px = rounding_px(truth, build.content, options.sampling)
    for pupil in range(len(build.pupils_mm)):
        meshes = {}
        for colour in build.colours:
            meshes[colour] = mesh = build.mesh(channel, colour, pupil)
            spline = mesh.spline()
            held = partial(
                Held, truth=truth, content=build.content, channel=channel, colour=colour, pupil=pupil
            )
            if "csv" in formats:
                reached = held(csv_mesh.KIND).spline(spline)
                tally.add(reached)
                _require_fine(reached, build, options, taken_px)
                yield csv_mesh.csv_file(build, mesh, pupil)
            if "png" in formats:
                codes, scale = coded_table(spline)
                reached = held(png_table.KIND).spline(scale.spline(codes))
                tally.add(reached)
                _require_fine(reached, build, options, taken_px)
                yield from png_table.png_files(build, mesh, pupil)
            if "ktx2" in formats:
                gains = build.gain_mesh(channel, colour, pupil)
                file, stored = texture_file(build, gains, pupil, shared[colour], options.texture)
                reached = held(texture_table.KIND).spline(stored, gains=True)
                tally.add(reached)
                _require_fine(reached, build, options, taken_px)
                yield file
            if "st" in formats:
                file = st_map.st_file(build, mesh, pupil)
                planes = channels_from_exr(file.data, where=file.path)
                reached = held(st_map.KIND).values(
                    st_map.at_panel(planes, build.content, truth.pixel[channel])
                )
                tally.add(reached)
                _require_fine(reached, build, options, taken_px)
                yield file
            if "gltf" in formats:
                nodes = np.concatenate([mesh.tangent, mesh.weight[..., None]], axis=-1).astype(np.float32)
                reached = held(gltf.KIND).triangles(nodes.astype(float), mesh.panel_size_px)
                tally.add(reached)
                _require_fine(reached, build, options, taken_px)
        if "gltf" in formats:
            gained = {colour: build.gain_mesh(channel, colour, pupil) for colour in build.colours}
            yield gltf.gltf_file(build, meshes, gained, pupil)


def _require_fine(reached: Reached, build: DeviceBuild, options: PackageOptions, taken_px: float) -> None:
    """Raise where a mesh or table does not keep the error asked for; the field `step_px` says what would.

    `taken_px`: what the texture unit's filter takes of it, where shaders draw from the artefact.
    """
    limit = options.request.max_error_px - (taken_px if reached.kind in DRAWN else 0.0)
    if reached.px is not None and reached.px <= limit:
        return
    what, mend = f"meshes ({reached.kind}) with nodes {build.step_px:g} px apart", "a smaller --step"
    fields: dict[str, object] = {}
    if reached.kind == GPU_MESH:
        what, mend = "meshes made on the GPU", f"tables within {1.0 - NODES_SHARE:g} of the error"
    elif reached.kind == texture_table.KIND and options.texture != SNORM16:
        what, mend = f"textures of kind '{options.texture}'", f"--texture {SNORM16}"
    elif reached.px is not None and np.isfinite(reached.px):
        power = _POWERS.get(reached.kind, _SPLINE_POWER)
        step = float(np.floor(0.9 * build.step_px * (limit / reached.px) ** (1.0 / power)))
        if 1.0 <= step < build.step_px:
            mend, fields = f"a smaller --step, such as {step:g}", {"step_px": step}
    raise PackageError(
        f"channel '{reached.channel}', {reached.colour}: {what} are {reached.px:.3g} px off; expected at "
        f"most {limit:.4g} px. Use {mend}, or allow a larger error.",
        **fields,
    )


def _written(folder: Path, file: PackageFile) -> JsonObject:
    write_bytes(folder / file.path, file.data)
    return file.entry()
