"""Verifying a package: hashes, every artefact read back, run where it can be, and held to what the fit says.

The manifest claims an error for every kind of artefact, channel and colour, measured when the package was made on what was
about to be written; here the same is measured on what is read back. Nothing in the package is trusted or executed: C sources
are compiled only when they are those of this version.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
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
    """One row: `artefact`, `what` of it, `error` found and `limit` claimed (None where not a number), `unit`, `ok`, `note`.

    `subject`: channel and colour, where it is about one.
    """

    artefact: str
    what: str
    ok: bool
    error: float | None = None
    limit: float | None = None
    unit: str = ""
    note: str = ""
    subject: str = ""

    def as_dict(self) -> dict:
        """Return the row for machines."""
        finite = self.error is None or np.isfinite(self.error)
        return {
            "artefact": self.artefact,
            "what": self.what,
            "ok": self.ok,
            "error": self.error if finite else None,
            "limit": self.limit,
            "unit": self.unit,
            "note": self.note,
            "subject": self.subject,
        }


@dataclass(frozen=True)
class VerifyResult:
    """All rows, in the order of the work; `ok` when all are."""

    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        """True where nothing is wrong."""
        return all(check.ok for check in self.checks)

    @property
    def failures(self) -> tuple[Check, ...]:
        """The rows that are wrong."""
        return tuple(check for check in self.checks if not check.ok)

    def as_dict(self) -> dict:
        """Return the result for machines."""
        return {"ok": self.ok, "checks": [check.as_dict() for check in self.checks]}


def verify_package(
    folder: Path,
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
    """
    package = read_package(folder)
    checks = []
    for name, step in (*_STEPS, ("truth", lambda package: _truth_against_fit(package, fields))):
        progress(name)
        try:
            checks += step(package)
        except PrewarpError as cause:
            checks.append(Check(name, "read back", False, note=str(cause)))
        # What a damaged manifest says of a file can be of any kind.
        except (KeyError, TypeError, ValueError, IndexError) as cause:
            note = f"{MANIFEST} is damaged ({type(cause).__name__}: {cause})"
            checks.append(Check(name, "read back", False, note=note))
    return VerifyResult(tuple(checks))


def require_verified(result: VerifyResult, folder: Path, /) -> None:
    """Raise with the first failures of a result that is not good."""
    if result.ok:
        return
    first = "; ".join(f"{one.artefact} {one.subject}, {one.what}: {_why(one)}" for one in result.failures[:3])
    raise PackageError(
        f"{folder}: {len(result.failures)} of {len(result.checks)} checks failed: {first}. Nothing was written."
    )


def _why(check: Check) -> str:
    return check.note or f"{check.error:.3g} {check.unit}, claimed {check.limit:.3g}"


def _files(package: Package) -> Iterator[Check]:
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
    note = f"{sum(len(points) for points in truth.pixel.values())} points from {len(truth.pupils_mm)} pupil positions"
    if fields is None:
        yield Check("truth", "read back", True, note=note)
        return
    error = truth_difference(truth, fields)
    yield Check("truth", "against the fit", error <= SAME_FIT_PX, error, SAME_FIT_PX, "px", note)


def _lookup(package: Package) -> Iterator[Check]:
    entries = package.entries(lookup_files.BLOB)
    if not entries:
        return
    blob, truth, tally = package.data(entries[0]), _truth(package), Tally()
    lookup = lookup_from_blob(blob, source=entries[0]["path"])
    lookup_files.blob_reached(lookup, truth, tally)
    sources = {
        Path(entry["path"]).name: package.data(entry) for entry in package.entries(lookup_files.C_SOURCE)
    }
    if sources:
        for what, ok, note in lookup_files.evaluator_checks(blob, sources, truth, tally):
            yield Check("C evaluator", what, ok, note=note)
    for reached in tally:
        claim = _claim(package, lookup_files.BLOB, reached)
        limit = claim["largest_error_px"] * BETWEEN_POINTS
        if reached.kind == lookup_files.FIXED:
            limit += lookup_files.fixed_allowance_px(truth, reached.channel, reached.colour)
        yield from _rows(reached, limit, claim)


def _csv(package: Package) -> Iterator[Check]:
    truth, content, tally = _truth(package), package.content, Tally()
    for entry in package.entries(csv_mesh.KIND):
        own = entry["details"]
        rows, columns = _shape(own["rows"]), _shape(own["columns"])
        nodes = csv_mesh.nodes_from_csv(package.data(entry), rows, columns, where=entry["path"])
        size = package.panel_size_px(own["channel"])
        spline = spline_through(
            nodes[..., 6:9], origin=np.zeros(2), step=np.asarray(size) / np.array([columns - 1, rows - 1])
        )
        held = Held(csv_mesh.KIND, truth, content, own["channel"], own["colour"], _pupil(own, truth))
        tally.add(held.spline(spline))
    yield from _all_held(package, tally)


def _png(package: Package) -> Iterator[Check]:
    truth, content, tally = _truth(package), package.content, Tally()
    groups: dict[tuple, dict[str, dict]] = {}
    for entry in package.entries(png_table.KIND):
        own = entry["details"]
        groups.setdefault((own["channel"], own["colour"], own["pupil"]), {})[own["component"]] = entry
    for (channel, colour, pupil), group in groups.items():
        entries = [group[name] for name in COMPONENTS]
        shape = tuple(_shape(size) for size in entries[0]["arrays"][0]["shape"])
        pictures = [png_table.codes_from_png(package.data(one), shape, where=one["path"]) for one in entries]
        table = png_table.table_from_pngs(pictures, [one["details"] for one in entries])
        held = Held(png_table.KIND, truth, content, channel, colour, _pupil({"pupil": pupil}, truth))
        tally.add(held.spline(table.spline()))
    yield from _all_held(package, tally)


def _ktx2(package: Package) -> Iterator[Check]:
    truth, content, tally = _truth(package), package.content, Tally()
    for entry in package.entries(texture_table.KIND):
        own = entry["details"]
        spline = spline_from_texture(package.data(entry), own, where=entry["path"])
        held = Held(texture_table.KIND, truth, content, own["channel"], own["colour"], _pupil(own, truth))
        tally.add(held.spline(spline))
    yield from _all_held(package, tally)


def _gltf(package: Package) -> Iterator[Check]:
    truth, content, tally = _truth(package), package.content, Tally()
    differing = 0.0
    entries = package.entries(gltf.KIND)
    for entry in entries:
        own = entry["details"]
        rows, columns = _shape(own["rows"]), _shape(own["columns"])
        found = gltf.attributes_from_glb(package.data(entry), rows, columns, where=entry["path"])
        for colour, names in own["attributes"].items():
            tangent, place = found[names["direction"]], found[names["content"]]
            nodes = np.concatenate([tangent, found[names["weight"]]], axis=-1)
            held = Held(gltf.KIND, truth, content, own["channel"], colour, _pupil(own, truth))
            tally.add(held.triangles(nodes, package.panel_size_px(own["channel"])))
            differing = max(differing, float(np.abs(content.pixel_from_tangent(tangent) - place).max()))
    if entries:
        ok = differing <= SAME_CONTENT_PX
        yield Check(
            gltf.KIND,
            "content places are those of the directions",
            ok,
            differing,
            SAME_CONTENT_PX,
            "content px",
        )
    yield from _all_held(package, tally)


def _shaders(package: Package) -> Iterator[Check]:
    if not package.entries(shader_files.KIND):
        return
    faults = shader_checks.constant_faults(package)
    yield _listed(shader_files.KIND, "constants", faults, "as in the manifest and in the tables")
    faults, note = shader_checks.compile_faults(package)
    yield _listed(shader_files.KIND, "reference compiler", faults, note)
    faults = list(shader_checks.texture_faults(package))
    yield _listed(shader_files.KIND, "textures", faults, "read back")
    tally = Tally()
    shader_checks.blocks_reached(package, _truth(package), tally)
    yield from _all_held(package, tally)


def _listed(artefact: str, what: str, faults: list[str], note: str) -> Check:
    return Check(artefact, what, not faults, note="; ".join(faults[:3]) or note)


_STEPS: tuple[tuple[str, Callable[[Package], Iterator[Check]]], ...] = (
    ("files", _files),
    (lookup_files.BLOB, _lookup),
    (csv_mesh.KIND, _csv),
    (png_table.KIND, _png),
    (texture_table.KIND, _ktx2),
    (gltf.KIND, _gltf),
    (shader_files.KIND, _shaders),
)


def _truth(package: Package) -> Truth:
    (entry,) = package.entries(TRUTH)
    # The hash is checked before anything is unpacked.
    package.data(entry)
    return read_truth(package.path(entry), package.channels, package.colours)


def _pupil(details: dict, truth: Truth) -> int:
    place = details["pupil"]
    if not isinstance(place, int) or not 0 <= place < truth.mesh_pupils:
        raise ValueError(f"mesh pupil {place!r} of {truth.mesh_pupils}")
    return place


def _shape(value: object) -> int:
    if not isinstance(value, int) or not 4 <= value <= 8192:
        raise ValueError(f"{value!r} nodes")
    return value


def _claim(package: Package, kind: str, reached: Reached) -> dict:
    for one in package.manifest["errors_reached"]:
        if (one["kind"], one["channel"], one["colour"]) == (kind, reached.channel, reached.colour):
            return one
    raise PackageError(f"{MANIFEST} claims no error for {kind} of '{reached.channel}', {reached.colour}.")


def _all_held(package: Package, tally: Tally) -> Iterator[Check]:
    for reached in tally:
        claim = _claim(package, reached.kind, reached)
        yield from _rows(reached, claim["largest_error_px"], claim)


def _rows(reached: Reached, limit_px: float | None, claim: dict) -> Iterator[Check]:
    for error, limit, what, unit in (
        (reached.px, limit_px, "place", "px"),
        (reached.weight, claim["largest_weight_error"], "weight, largest", "of light"),
        (reached.weight_rms, claim["rms_weight_error"], "weight, RMS", "of light"),
    ):
        if error is not None:
            ok = limit is not None and bool(error <= limit + SAME)
            subject = f"{reached.channel} {reached.colour}"
            yield Check(reached.kind, what, ok, error, limit, unit, subject=subject)
