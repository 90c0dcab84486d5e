"""Verifying a package: hashes, every artefact read back, run where it can be, and held to what the fit says.

The manifest claims an error for every kind of artefact, channel and colour, measured when the package was
made on what was about to be written; here the same is measured on what is read back. Nothing in the package
is trusted or executed: C sources are compiled only when they are those of this version.
"""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from prewarp.errors import PackageError, PrewarpError
from prewarp.export import (
    csv_mesh,
    gltf,
    lookup_files,
    png_table,
    shader_checks,
    shader_files,
    texture_table,
)
from prewarp.export.package_file import JsonObject
from prewarp.export.package_light import PackageLight, package_light
from prewarp.export.package_reading import MANIFEST, Package, read_package
from prewarp.export.quantise import COMPONENTS
from prewarp.export.reached import Held, Reached, Tally
from prewarp.export.texture_table import spline_from_texture
from prewarp.export.truth import KIND as TRUTH
from prewarp.export.truth import Truth, read_truth, truth_difference
from prewarp.field import FieldSet
from prewarp.lattice import spline_through
from prewarp.lookup.blob_reading import lookup_from_blob

# Numbers that went through a file and come out the same: only the order of sums differs.
SAME = 1e-9
# The lookup's claim is measured on a dense lattice; between its points the error may be a little larger.
BETWEEN_POINTS = 1.05
# `truth.npz` holds doubles; another machine's mathematics library may differ in the last digits.
SAME_FIT_PX = 1e-6
# Both are 32-bit floats: a direction's last bit is worth 6e-8 of some thousands of px.
SAME_CONTENT_PX = 5e-3


@dataclass(frozen=True)
class Check:
    """One row of the result.

    `artefact`, `what` of it, `ok`, `error` found and `limit` claimed (None where not a number), `unit`,
    `note`; `subject`: channel and colour, where it is about one.
    """

    artefact: str
    what: str
    ok: bool
    error: float | None = None
    limit: float | None = None
    unit: str = ""
    note: str = ""
    subject: str = ""

    def as_dict(self) -> JsonObject:
        """Return the row for machines."""
        finite = self.error is None or np.isfinite(self.error)
        return {**asdict(self), "error": self.error if finite else None}


@dataclass(frozen=True)
class VerifyResult:
    """All rows, in the order of the work; `ok` when all are. `light`: see `package_light`; None: unknown."""

    checks: tuple[Check, ...]
    light: PackageLight | None = None

    @property
    def ok(self) -> bool:
        """True where nothing is wrong."""
        return all(check.ok for check in self.checks)

    @property
    def failures(self) -> tuple[Check, ...]:
        """The rows that are wrong."""
        return tuple(check for check in self.checks if not check.ok)

    def as_dict(self) -> JsonObject:
        """Return the result for machines."""
        light = None if self.light is None else self.light.as_dict()
        return {"ok": self.ok, "light": light, "checks": [check.as_dict() for check in self.checks]}


def verify_package(
    folder: Path | str,
    /,
    *,
    fields: FieldSet | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> VerifyResult:
    """Check a package against its own manifest and against what the fit says.

    Parameters
    ----------
    folder : Path
        The package.
    fields : FieldSet, optional
        With it the file that says what the fit says is held to the fit as well.
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
    checks: list[Check] = []
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
    progress("light")
    try:
        light = package_light(package)
    except (PrewarpError, KeyError, TypeError, ValueError, IndexError) as cause:
        # What is damaged is a failed row already; the light is not known then.
        return VerifyResult((*checks, Check("light", "worked out", False, note=str(cause))))
    return VerifyResult(tuple(checks), light)


def require_verified(result: VerifyResult, folder: Path, /) -> None:
    """Raise with the first failures of a result that is not good."""
    if result.ok:
        return
    first = "; ".join(f"{one.artefact} {one.subject}, {one.what}: {_why(one)}" for one in result.failures[:3])
    raise PackageError(
        f"{folder}: {len(result.failures)} of {len(result.checks)} checks failed: {first}. "
        "Nothing was written."
    )


def _why(check: Check) -> str:
    return check.note or f"{check.error:.3g} {check.unit}, claimed {check.limit:.3g}"


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
    truth = _truth(package)
    count = sum(len(points) for points in truth.pixel.values())
    note = f"{count} points from {len(truth.pupils_mm)} pupil positions"
    if fields is None:
        yield Check("truth", "read back", True, note=note)
        return
    error = truth_difference(truth, fields)
    yield Check("truth", "against the fit", error <= SAME_FIT_PX, error, SAME_FIT_PX, "px", note)


def _lookup(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    entries = package.entries(lookup_files.BLOB)
    if not entries:
        return
    blob, truth = package.data(entries[0]), _truth(package)
    lookup = lookup_from_blob(blob, source=entries[0]["path"])
    tally = Tally(lookup_files.blob_reached(lookup, truth))
    sources = {Path(one["path"]).name: package.data(one) for one in package.entries(lookup_files.C_SOURCE)}
    if sources:
        for what, ok, note in lookup_files.evaluator_checks(blob, sources, truth, tally):
            yield Check("C evaluator", what, ok, note=note)
    for reached in tally:
        claim = _claim(package, lookup_files.BLOB, reached)
        limit = claim["largest_error_px"] * BETWEEN_POINTS
        if reached.kind == lookup_files.FIXED:
            limit += lookup_files.fixed_allowance_px(truth, reached.channel, reached.colour)
        yield from _rows(reached, limit, claim)


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
        groups.setdefault((own["channel"], own["colour"], own["pupil"]), {})[own["component"]] = entry
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
        yield _held(package, truth, texture_table.KIND, own).spline(spline)


def _gltf(package: Package, fields: FieldSet | None) -> Iterator[Check]:
    truth, tally, differing = _truth(package), Tally(), 0.0
    entries = package.entries(gltf.KIND)
    for entry in entries:
        own = entry["details"]
        rows, columns = _shape(own["rows"]), _shape(own["columns"])
        found = gltf.attributes_from_glb(package.data(entry), rows, columns, where=entry["path"])
        for colour, names in own["attributes"].items():
            tangent, place = found[names["direction"]], found[names["content"]]
            nodes = np.concatenate([tangent, found[names["weight"]]], axis=-1)
            held = _held(package, truth, gltf.KIND, {**own, "colour": colour})
            tally.add(held.triangles(nodes, package.panel_size_px(own["channel"])))
            off = np.abs(package.content.pixel_from_tangent(tangent) - place)
            differing = max(differing, float(off.max()))
    if entries:
        ok, what = differing <= SAME_CONTENT_PX, "content places are those of the directions"
        yield Check(gltf.KIND, what, ok, differing, SAME_CONTENT_PX, "content px")
    yield from _all_held(package, tally)


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
    yield from _all_held(package, Tally(shader_checks.blocks_reached(package, _truth(package))))


Step = Callable[[Package, FieldSet | None], Iterator[Check]]


def _maps(read_back: Callable[[Package, Truth], Iterator[Reached]]) -> Step:
    """Return the step that holds all maps of a kind to the truth."""
    return lambda package, fields: _all_held(package, Tally(read_back(package, _truth(package))))


_STEPS: dict[str, Step] = {
    "files": _files,
    "truth": _truth_against_fit,
    lookup_files.BLOB: _lookup,
    csv_mesh.KIND: _maps(_csv),
    png_table.KIND: _maps(_png),
    texture_table.KIND: _maps(_ktx2),
    gltf.KIND: _gltf,
    shader_files.KIND: _shaders,
}


def _truth(package: Package) -> Truth:
    (entry,) = package.entries(TRUTH)
    # The hash is checked before anything is unpacked.
    package.data(entry)
    return read_truth(package.path(entry), package.channels, package.colours)


def _held(package: Package, truth: Truth, kind: str, details: JsonObject) -> Held:
    """Return what a file is held to, by what the manifest says of it."""
    pupil = details["pupil"]
    if not isinstance(pupil, int) or not 0 <= pupil < truth.mesh_pupils:
        raise ValueError(f"mesh pupil {pupil!r} of {truth.mesh_pupils}")
    return Held(kind, truth, package.content, details["channel"], details["colour"], pupil)


def _shape(value: object) -> int:
    if not isinstance(value, int) or not 4 <= value <= 8192:
        raise ValueError(f"{value!r} nodes")
    return value


def _claim(package: Package, kind: str, reached: Reached) -> JsonObject:
    one: JsonObject
    for one in package.manifest["errors_reached"]:
        if (one["kind"], one["channel"], one["colour"]) == (kind, reached.channel, reached.colour):
            return one
    raise PackageError(f"{MANIFEST} claims no error for {kind} of '{reached.channel}', {reached.colour}.")


def _all_held(package: Package, tally: Tally) -> Iterator[Check]:
    for reached in tally:
        claim = _claim(package, reached.kind, reached)
        yield from _rows(reached, claim["largest_error_px"], claim)


def _rows(reached: Reached, limit_px: float | None, claim: JsonObject) -> Iterator[Check]:
    subject = f"{reached.channel} {reached.colour}"
    for error, limit, what, unit in (
        (reached.px, limit_px, "place", "px"),
        (reached.weight, claim["largest_weight_error"], "weight, largest", "of light"),
        (reached.weight_rms, claim["rms_weight_error"], "weight, RMS", "of light"),
    ):
        if error is not None:
            ok = limit is not None and bool(error <= limit + SAME)
            yield Check(reached.kind, what, ok, error, limit, unit, subject=subject)
