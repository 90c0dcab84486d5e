"""Verifying a package: hashes, every artefact read back, run where it can be, and held to what the fit says.

What is measured on what is read back is judged by the request that the manifest holds (`judgement`). The
manifest also records what was measured when the package was made: the same must come out again, which says
that the files are those, not that they are good. Nothing in the package is trusted or executed: what is
compiled and run on its tables is this version's C evaluator; the package's own is held to that, comments
aside.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from prewarp.errors import PackageError, PrewarpError
from prewarp.export import (
    csv_mesh,
    gltf,
    gpu_checks,
    gpu_nodes,
    lookup_files,
    png_table,
    shader_checks,
    shader_files,
    st_map,
    texture_table,
    view_mask_files,
)
from prewarp.export.exr import channels_from_exr
from prewarp.export.filter_error import BITS, GUARANTEED_BITS, filter_error_px
from prewarp.export.judgement import (
    LIGHT,
    LIGHT_FIGURES,
    Check,
    LightFigures,
    VerifyResult,
    as_written_checks,
    light_checks,
    place_checks,
)
from prewarp.export.lookup_at_truth import LookupAtTruth, lookup_in, truth_in
from prewarp.export.manifest_checks import ARTEFACT as MANIFEST_ITSELF
from prewarp.export.manifest_checks import claim_checks, display_checks, seal_checks
from prewarp.export.package_file import JsonObject
from prewarp.export.package_light import package_light
from prewarp.export.package_reading import MANIFEST, Package, read_package
from prewarp.export.polynomial_block import KIND as BLOCK
from prewarp.export.quantise import COMPONENTS
from prewarp.export.reached import Held, Reached, Tally
from prewarp.export.signing import Trust
from prewarp.export.texture_table import spline_from_texture
from prewarp.export.truth import Truth, truth_difference
from prewarp.field import FieldSet
from prewarp.lattice import spline_through
from prewarp.lookup.device_light import claims_at
from prewarp.lookup.measure import SEAM_RMS_SHARE, SEAM_SHARE

# `truth.npz` holds doubles; another machine's mathematics library may differ in the last digits.
SAME_FIT_PX = 1e-6
# Both are 32-bit floats: a direction's last bit is worth 6e-8 of some thousands of px.
SAME_CONTENT_PX = 5e-3


# Measures the light of a package from its own bytes: `judgement.LIGHT_FIGURES`, or None.
LightMeasure = Callable[[Package], LightFigures | None]


def light_figures(package: Package, /) -> LightFigures | None:
    """Return the light of a package (`package_light`) for judgement; None where it holds no seam."""
    found = package_light(package)
    return {name: getattr(found, name) for name in LIGHT_FIGURES} if found.pupils else None


def verify_package(
    folder: Path | str,
    /,
    *,
    fields: FieldSet | None = None,
    max_error_px: float | None = None,
    max_light_percent: float | None = None,
    trust: Trust | None = None,
    light: LightMeasure = light_figures,
    progress: Callable[[str], None] = lambda text: None,
) -> VerifyResult:
    """Check a package against what was asked of it and against what the fit says.

    Parameters
    ----------
    folder : Path
        The package.
    fields : FieldSet, optional
        With it the file that says what the fit says is held to the fit as well.
    max_error_px, max_light_percent : float, optional
        What is asked of it now, whatever its manifest says was asked when it was written.
    trust : callable, optional
        Judges the signature, which must then be there; from `prewarp.export.signing.read_trusted_key`.
    light : callable, optional
        Measures the light of the package from its own bytes.
    progress : callable, optional
        Called with a text before each step.

    Returns
    -------
    VerifyResult
        Artefacts that are wrong are rows that are not `ok`.

    Raises
    ------
    PackageError
        The folder is no package, or its manifest cannot be used at all.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> eye = prewarp.assemble_eye(fields, module)
    >>> package = prewarp.write_package("visor_package", eye, max_error_px=0.5, formats=("lookup",))
    >>> prewarp.verify_package("visor_package", fields=fields).ok
    True
    """
    package = read_package(Path(folder))
    asked = {"max_error_px": max_error_px, "max_light_percent": max_light_percent}
    given = {name: value for name, value in asked.items() if value is not None}
    package = replace(package, asked=replace(package.request, **given))
    checks = list(seal_checks(package, trust))
    for name, step in _STEPS.items():
        progress(name)
        try:
            checks += step(package, fields)
        except PrewarpError as cause:
            checks.append(Check(name, "read back", False, note=str(cause)))
        # What a damaged manifest says of a file can be of any kind.
        except (KeyError, TypeError, ValueError, IndexError) as cause:
            note = f"{MANIFEST} is damaged ({type(cause).__name__}: {cause})"
            checks.append(Check(name, "read back", False, note=note))
    try:
        checks += claim_checks(_recorded(package), checks)
    except (KeyError, TypeError, ValueError) as cause:
        note = f"{MANIFEST} is damaged ({type(cause).__name__}: {cause})"
        checks.append(Check(MANIFEST_ITSELF, "claimed errors", False, note=note))
    progress(LIGHT)
    figures = None
    try:
        figures = light(package)
        checks += light_checks(figures, package.request)
    # What is damaged is a failed row already; the light is not known then.
    except (PrewarpError, KeyError, TypeError, ValueError, IndexError) as cause:
        checks.append(Check(LIGHT, "measured", False, note=str(cause)))
    return VerifyResult(tuple(checks), package.request, figures)


def require_verified(result: VerifyResult, folder: Path, /) -> None:
    """Raise with the first failures of a result that is not good."""
    if result.ok:
        return
    worst = sorted(result.failures, key=lambda check: check.nearness, reverse=True)[:3]
    told = "; ".join(
        f"{' '.join((one.artefact, one.subject)).strip()}, {one.what}: {one.why()}" for one in worst
    )
    raise PackageError(
        f"{folder}: {len(result.failures)} of {len(result.checks)} checks failed: {told}. "
        "Nothing was written."
    )


def _files(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    entries = package.entries()
    wrong = []
    for entry in entries:
        try:
            package.data(entry)
        except PackageError as cause:
            wrong.append(str(cause))
    yield Check(
        "files", "size and SHA-256", not wrong, note="; ".join(wrong[:3]) or f"{len(entries)} files as listed"
    )
    unlisted = package.unlisted()
    note = f"not in {MANIFEST}: {', '.join(unlisted[:5])}" if unlisted else "no file beside those listed"
    yield Check("files", "none beside", not unlisted, note=note)


def _truth_against_fit(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    truth = truth_in(package)
    count = sum(len(points) for points in truth.pixel.values())
    note = f"{count} points from {len(truth.pupils_mm)} pupil positions"
    if fields is None:
        yield Check("truth", "read back", True, note=note)
        return
    error = truth_difference(truth, fields)
    yield Check("truth", "against the fit", bool(error <= SAME_FIT_PX), error, SAME_FIT_PX, "px", note)


def _lookup(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    seen = lookup_in(package)
    if seen is None:
        return
    blob = package.data(package.entries(lookup_files.BLOB)[0])
    tally = Tally(lookup_files.blob_reached(seen))
    sources = {Path(one["path"]).name: package.data(one) for one in package.entries(lookup_files.C_SOURCE)}
    if sources:
        for what, ok, note in lookup_files.evaluator_checks(
            blob, sources, str(package.manifest["made_by"]), seen, tally
        ):
            yield Check("C evaluator", what, ok, note=note)
    yield from _judged(package, tally)
    yield from _inside_seam(package, seen)


def _inside_seam(package: Package, seen: LookupAtTruth) -> Iterator[Check]:
    """Tell errors of place where light is handed over: what they cost is judged with the light."""
    claims, count = seen.lookup.claims, len(seen.lookup.channels)
    if claims is None or count < 2:
        return
    errors = lookup_files.seam_errors(seen, lambda tangent: claims_at(claims, tangent, count).astype(float))
    for what, found, share in zip(
        ("place inside the seam", "place inside the seam, RMS"),
        (max(one) for one in zip(*errors, strict=True)),
        (SEAM_SHARE, SEAM_RMS_SHARE),
        strict=True,
    ):
        note = (
            "nothing was asked of it; the search keeps it within "
            f"{share * package.request.max_error_px:.3g} px"
        )
        yield Check(lookup_files.BLOB, what, None, found, None, "px", note)


def _csv(package: Package, truth: Truth) -> Iterator[Reached]:
    for entry in package.entries(csv_mesh.KIND):
        own = entry["details"]
        rows, columns = _shape(own["rows"]), _shape(own["columns"])
        nodes = csv_mesh.nodes_from_csv(package.data(entry), rows, columns, where=entry["path"])
        step = np.asarray(package.panel_size_px(own["channel"])) / np.array([columns - 1, rows - 1])
        spline = spline_through(nodes[..., 6:9], origin=np.zeros(2), step=step)
        yield _held(package, truth, csv_mesh.KIND, own).spline(spline)


def _png(package: Package, truth: Truth) -> Iterator[Reached]:
    groups: dict[tuple[str, str, int], dict[str, JsonObject]] = {}
    for entry in package.entries(png_table.KIND):
        own = entry["details"]
        groups.setdefault((own["channel"], own["color"], own["pupil"]), {})[own["component"]] = entry
    for group in groups.values():
        entries = [group[name] for name in COMPONENTS]
        rows, columns = (_shape(size) for size in entries[0]["arrays"][0]["shape"])
        pictures = [
            png_table.codes_from_png(package.data(one), (rows, columns), where=one["path"]) for one in entries
        ]
        spline = png_table.spline_from_pngs(pictures, [one["details"] for one in entries])
        yield _held(package, truth, png_table.KIND, entries[0]["details"]).spline(spline)


def _ktx2(package: Package, truth: Truth) -> Iterator[Reached]:
    for entry in package.entries(texture_table.KIND):
        own = entry["details"]
        spline = spline_from_texture(package.data(entry), own, where=entry["path"])
        yield _held(package, truth, texture_table.KIND, own).spline(spline, gains=True)


def _st(package: Package, truth: Truth) -> Iterator[Reached]:
    for entry in package.entries(st_map.KIND):
        own = entry["details"]
        planes = channels_from_exr(package.data(entry), where=entry["path"])
        pixel = truth.pixel[own["channel"]]
        width, height = package.panel_size_px(own["channel"])
        if any(plane.shape != (height, width) for plane in planes.values()):
            raise ValueError(f"{entry['path']}: not of {width} x {height} px")
        value = st_map.at_panel(planes, package.content, pixel)
        yield _held(package, truth, st_map.KIND, own).values(value)


def _gltf(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    truth, tally, differing = truth_in(package), Tally(), 0.0
    entries = package.entries(gltf.KIND)
    for entry in entries:
        own = entry["details"]
        rows, columns = _shape(own["rows"]), _shape(own["columns"])
        found = gltf.attributes_from_glb(package.data(entry), rows, columns, where=entry["path"])
        for colour, names in own["attributes"].items():
            tangent, place = found[names["direction"]], found[names["content"]]
            nodes = np.concatenate([tangent, found[names["weight"]]], axis=-1)
            held = _held(package, truth, gltf.KIND, {**own, "color": colour})
            tally.add(held.triangles(nodes, package.panel_size_px(own["channel"])))
            off = np.abs(package.content.pixel_from_tangent(tangent) - place)
            differing = max(differing, float(off.max()))
    if entries:
        ok, what = differing <= SAME_CONTENT_PX, "content places are those of the directions"
        yield Check(gltf.KIND, what, ok, differing, SAME_CONTENT_PX, "content px")
    yield from _judged(package, tally)


def _shaders(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    if not package.entries(shader_files.KIND):
        return
    compiled, note = shader_checks.compile_faults(package)
    for what, faults, good in (
        ("constants", shader_checks.constant_faults(package), "as in the manifest and in the tables"),
        ("reference compiler", compiled, note),
        ("textures", list(shader_checks.texture_faults(package)), "read back"),
    ):
        yield Check(shader_files.KIND, what, not faults, note="; ".join(faults[:3]) or good)
    yield from _sampling(package)


def _gpu(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    seen = lookup_in(package)
    if seen is None or not gpu_checks.gpu_stages(package):
        return
    lookup = seen.lookup
    faults = list(gpu_checks.number_faults(package, lookup))
    kind = gpu_nodes.KIND
    yield Check(kind, "textures", not faults, note="; ".join(faults[:3]) or "the numbers of the blob")
    faults = list(gpu_checks.stage_faults(package, lookup))
    yield Check(kind, "stages", not faults, note="; ".join(faults[:3]) or "of one mesh and the blob's frames")
    yield from _judged(package, Tally(gpu_checks.meshes_reached(package, lookup, truth_in(package))))


def _sampling(package: Package) -> Iterator[Check]:
    """Judge maps and the rounding of a texture unit together, where shaders read content through it."""
    kinds = {entry["details"]["sampling"] for entry in package.entries(shader_files.KIND)}
    if shader_files.FILTERED not in kinds:
        return
    drawn = [one.px for one in _recorded(package) if one.kind in DRAWN and one.px is not None]
    truth = truth_in(package)
    rounding = filter_error_px(truth, package.content)
    measured, requested = rounding + max(drawn, default=0.0), package.request.max_error_px
    least = filter_error_px(truth, package.content, bits=GUARANTEED_BITS)
    note = (
        f"{rounding:.2g} px of it by filters of {BITS} bits; {least:.2g} px where a device has the "
        f"{GUARANTEED_BITS} that Vulkan guarantees"
    )
    what = "maps and filtered content"
    yield Check(shader_files.KIND, what, measured <= requested, measured, requested, "px", note)


def _masks(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    entries = {entry["details"]["form"]: entry for entry in package.entries(view_mask_files.KIND)}
    if not entries:
        return
    kind, entry = view_mask_files.KIND, entries["json"]
    masks = view_mask_files.masks_from_json(package.data(entry), where=entry["path"])
    told = set(entry["details"]["masks"])
    if told != set(masks):
        raise ValueError(f"masks {', '.join(sorted(masks))}; expected {', '.join(sorted(told))}")
    header = view_mask_files.masks_from_c(package.data(entries["c"]).decode("utf-8"))
    faults = list(view_mask_files.c_faults(masks, header))
    yield Check(kind, "C arrays", not faults, note="; ".join(faults[:3]) or "those of the JSON")
    faults = [f"{name}: {one}" for name, mask in masks.items() for one in view_mask_files.mask_faults(mask)]
    good = f"{len(masks)} masks: counter-clockwise, no overlap, no cracks"
    yield Check(kind, "triangles", not faults, note="; ".join(faults[:3]) or good)
    hidden, shown, asked = view_mask_files.coverage(masks, truth_in(package))
    unit = f"of {asked} directions"
    yield Check(kind, "lit directions hidden", asked > 0 and hidden == 0, hidden, 0.0, unit)
    yield Check(kind, "dark directions shown", asked > 0 and shown == 0, shown, 0.0, unit)


Step = Callable[[Package, FieldSet | None], Iterator[Check]]


def _maps(read_back: Callable[[Package, Truth], Iterator[Reached]]) -> Step:
    """Return the step that holds all maps of a kind to the truth."""
    return lambda package, fields: _judged(package, Tally(read_back(package, truth_in(package))))


# What shaders draw from.
DRAWN = (lookup_files.BLOB, texture_table.KIND, gltf.KIND, gpu_nodes.KIND)
_STEPS: dict[str, Step] = {
    "files": _files,
    MANIFEST_ITSELF: lambda package, fields: display_checks(package),
    "truth": _truth_against_fit,
    lookup_files.BLOB: _lookup,
    csv_mesh.KIND: _maps(_csv),
    png_table.KIND: _maps(_png),
    texture_table.KIND: _maps(_ktx2),
    gltf.KIND: _gltf,
    st_map.KIND: _maps(_st),
    shader_files.KIND: _shaders,
    gpu_nodes.KIND: _gpu,
    BLOCK: _maps(shader_checks.blocks_reached),
    view_mask_files.KIND: _masks,
}


def _held(package: Package, truth: Truth, kind: str, details: JsonObject) -> Held:
    """Return what a file is held to, by what the manifest says of it."""
    pupil = details["pupil"]
    if not isinstance(pupil, int) or not 0 <= pupil < truth.mesh_pupils:
        raise ValueError(f"mesh pupil {pupil!r} of {truth.mesh_pupils}")
    return Held(kind, truth, package.content, details["channel"], details["color"], pupil)


def _shape(value: object) -> int:
    if not isinstance(value, int) or not 4 <= value <= 8192:
        raise ValueError(f"{value!r} nodes")
    return value


def _recorded(package: Package) -> list[Reached]:
    """Return what was measured when the package was written."""
    names = ("kind", "channel", "color", "largest_error_px", "largest_weight_error", "rms_weight_error")
    return [Reached(*(one[name] for name in names)) for one in package.manifest["errors_reached"]]


def _judged(package: Package, found: Iterable[Reached]) -> Iterator[Check]:
    """Judge what was measured on what was read back, kind by kind, by the request."""
    found, recorded = list(found), _recorded(package)
    for kind in dict.fromkeys(one.kind for one in found):
        for reached in found:
            if reached.kind == kind:
                yield from place_checks(reached, package.request)
        # What the C evaluator reaches is not recorded: it does not run everywhere.
        if kind not in lookup_files.RUN_KINDS:
            yield from as_written_checks(kind, found, recorded)
