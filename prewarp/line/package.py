"""Packages of units: tables from the family's, written and verified as any package."""

from dataclasses import dataclass
from dataclasses import replace as changed
from functools import cached_property
from pathlib import Path

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import InputFileError, PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.judgement import GRADIENT_PER_DEG, Request
from prewarp.export.lookup_files import worst_at_truth
from prewarp.export.package import PackageOptions, export_package, truth_for
from prewarp.export.package_reading import MANIFEST
from prewarp.export.truth import Truth
from prewarp.export.write import PUPILS
from prewarp.eye import Eye, assemble_eye
from prewarp.field import Field, FieldSet
from prewarp.files import read_bytes, write_bytes
from prewarp.fitting.expansion import Expansion
from prewarp.line.family import Family
from prewarp.line.moved import MovedFields
from prewarp.line.tables import SEARCH_SHARE, FamilyTables
from prewarp.lookup import Lookup, Pins, optimise_lookup
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.layout import MAX_BLOB_BYTES
from prewarp.module import DisplayModule

FORMATS = ("lookup",)
FOLDER = "packages"


@dataclass(frozen=True)
class PackageSettings:
    """What packages of units are for: the display, and what every one must keep; see `write_package`."""

    module: DisplayModule
    max_error_px: float = 0.25
    max_light_percent: float = 0.5

    @property
    def request(self) -> Request:
        """What goes into every manifest."""
        return Request(self.max_error_px, self.max_light_percent, GRADIENT_PER_DEG)


def fields_of(moved: MovedFields, coefficients: FloatArray, /, provenance: dict[str, object]) -> FieldSet:
    """Return the fields of a unit of a family for coefficients (count,) in prior sigmas."""
    return _fields(moved.family, moved.expansions(coefficients), provenance)


def nominal_fields(family: Family, /) -> FieldSet:
    """Return a family's nominal fields as they are, without what the trace shows beside them: 0.003 px of the
    folded demo.
    """
    expansions = {
        (name, colour): own.expansion(place)
        for name, own in family.channels.items()
        for place, colour in enumerate(family.colours)
    }
    return _fields(family, expansions, {})


def _fields(
    family: Family, expansions: dict[tuple[str, str], Expansion], provenance: dict[str, object]
) -> FieldSet:
    fields = {
        (name, colour): Field(
            name,
            colour,
            family.channels[name].basis.panel.size_px,
            expansion,
            family.channels[name].captured_tangent,
            family.channels[name].border_px,
        )
        for (name, colour), expansion in expansions.items()
    }
    return FieldSet(fields, family.pupil_box_mm, (), {**family.provenance, **provenance})


def search_tables(family: Family, settings: PackageSettings, path: Path, /) -> None:
    """Search the family's tables and write them, a blob.

    Raises
    ------
    PackageError
        No terms keep the error; it says how near they came.
    """
    fields = fields_of(MovedFields(family), np.zeros(family.count), {})
    eye = assemble_eye(fields, settings.module)
    build = _build(eye)
    found = optimise_lookup(
        fields,
        max_error_px=SEARCH_SHARE * settings.max_error_px,
        pupil_box_mm=build.pupil_box_mm,
        pins=Pins(family="chebyshev"),
        trade=False,
        channels=build.channels,
        seam=build.seam,
        content=build.content,
    )
    write_bytes(path, blob_from_lookup(found.lookup))


def _build(eye: Eye) -> DeviceBuild:
    return DeviceBuild(eye, np.asarray(eye.eye_box.lattice(PUPILS), dtype=float))


@dataclass(frozen=True)
class UnitPackages:
    """Writes packages of units of a family; `tables` is the blob that `search_tables` wrote."""

    family: Family
    settings: PackageSettings
    tables: bytes

    @cached_property
    def _moved(self) -> MovedFields:
        return MovedFields(self.family)

    def prepare(self) -> None:
        """Make what all units share, so that a copy of this has it."""
        _ = self._tables

    @cached_property
    def _tables(self) -> FamilyTables:
        nominal = fields_of(self._moved, np.zeros(self.family.count), {})
        return FamilyTables(lookup_from_blob(self.tables, source="tables of a family"), nominal)

    def write(
        self, folder: Path, coefficients: FloatArray, provenance: dict[str, object], /
    ) -> tuple[float, int]:
        """Write the package of a unit, verified, as `folder`; return its largest error, panel px, and its
        bytes.

        Raises
        ------
        PackageError
            It does not keep what was asked for; nothing is written.
        """
        fields = fields_of(self._moved, coefficients, provenance)
        eye = assemble_eye(fields, self.settings.module)
        build = _build(eye)
        truth = truth_for(build, FORMATS)
        lookup = self._lookup(fields, build, truth)
        options = PackageOptions(
            formats=FORMATS,
            lookup=lookup,
            request=self.settings.request,
            eye=eye.side or "",
            provenance={"unit": dict(fields.provenance)},
        )
        done = export_package(folder, build, options, truth=truth)
        return lookup.error_px, sum(int(one["bytes"]) for one in done.manifest["files"])

    def _lookup(self, fields: FieldSet, build: DeviceBuild, truth: Truth) -> Lookup:
        """Return the unit's lookup, its errors those at the truth's points."""
        found = self._tables.of_unit(fields)
        worst = worst_at_truth(found, truth, build.seam)
        if worst > self.settings.max_error_px:
            raise PackageError(
                f"tables from the family's are {worst:.3g} px off; expected at most "
                f"{self.settings.max_error_px:g} px. Allow a larger error (--max-error)."
            )
        return changed(found, maps=tuple(changed(one, error_px=worst) for one in found.maps))


@dataclass(frozen=True, eq=False)
class PackagePlan:
    """What a worker needs to write packages, the family apart; `tables` as `read_tables` returns them."""

    settings: PackageSettings
    tables: bytes

    def of(self, family: Family, /) -> UnitPackages:
        """Return what writes packages of a family's units."""
        return UnitPackages(family, self.settings, self.tables)


def read_tables(path: Path, /) -> bytes:
    """Return the tables of a family that `search_tables` wrote."""
    return read_bytes(path, limit_bytes=MAX_BLOB_BYTES, what="tables of a family")


def is_written(folder: Path, /) -> bool:
    """Whether a package lies there."""
    try:
        return (folder / MANIFEST).is_file()
    except OSError as cause:
        raise InputFileError(f"{folder}: cannot be read ({cause.strerror}).", path=str(folder)) from cause
