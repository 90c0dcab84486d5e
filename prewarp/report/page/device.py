"""Chapter of the device package: what its tables keep of the fit, and how large they are."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from prewarp.errors import PrewarpError
from prewarp.export.judgement import Check, VerifyResult
from prewarp.export.lookup_files import BLOB, BLOB_PATH
from prewarp.export.package_reading import MANIFEST, read_package
from prewarp.export.verify import verify_package
from prewarp.export.write import write_package
from prewarp.field import FieldSet
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.module import EYES
from prewarp.report.page.display import Display, EyeStudy, PackageFound
from prewarp.report.page.tree import DataTable, Limit, Row, Section
from prewarp.report.page.words import number_text

_VERDICTS = {True: "kept", False: "NOT KEPT", None: "reported, not judged"}
# Requests below this are about rounding.
_TINY = 1e-4
_PLACE = "error of place of the package, worst of all artefacts, colours and pupil positions"


def read_packages(
    folder: Path, fields: FieldSet, /, *, progress: Callable[[str], None]
) -> tuple[PackageFound, ...]:
    """Verify a package, or a folder with one for each eye, against a fit.

    Raises
    ------
    PackageError
        The folder holds no package.
    """
    parts = [folder / side for side in EYES if (folder / side / MANIFEST).is_file()]
    if (folder / MANIFEST).is_file() or not parts:
        parts = [folder]
    return tuple(_verified(part, fields, progress) for part in parts)


def build_packages(
    studies: Sequence[EyeStudy], fields: FieldSet, /, *, progress: Callable[[str], None]
) -> tuple[PackageFound, ...]:
    """Write a package of each eye by export's defaults into a temporary folder, and verify it.

    What cannot be written is a `PackageFound` that says why.
    """
    found = []
    with TemporaryDirectory(prefix="prewarp-") as working:
        for study in studies:
            side = study.eye.side or "one"
            if study.uncaptured is not None:
                found.append(PackageFound(side, None, problem=study.uncaptured.text()))
                continue
            folder = Path(working) / side
            try:
                write_package(folder, study.eye, progress=progress)
            except PrewarpError as cause:
                # Messages hold the folder's name, which is another every time.
                text = str(cause).replace(f"{folder}", "the package")
                found.append(PackageFound(side, None, problem=text))
                continue
            found.append(replace(_verified(folder, fields, progress), eye=side))
    return tuple(found)


def _verified(folder: Path, fields: FieldSet, progress: Callable[[str], None]) -> PackageFound:
    package = read_package(folder)
    manifest = package.manifest
    result = verify_package(folder, fields=fields, progress=progress)
    sizes: dict[str, int] = {}
    files = manifest.get("files")
    for file in files if isinstance(files, list) else ():
        if isinstance(file, dict) and isinstance(file.get("bytes"), int):
            kind = str(file.get("kind"))
            sizes[kind] = sizes.get(kind, 0) + file["bytes"]
    blobs = package.entries(BLOB) if result.ok else []
    lookup = lookup_from_blob(package.data(blobs[0]), source=BLOB_PATH) if blobs else None
    dither = str(manifest.get("light", {}).get("dither", "none"))
    return PackageFound(str(manifest.get("eye") or "one"), result, sizes, lookup=lookup, dither=dither)


def package_section(display: Display, /) -> Section:
    """Return the chapter of the device package."""
    limits = display.module.limits
    rows: list[Row] = []
    tables: list[DataTable] = []
    text: list[str] = []
    if not display.packages:
        rows.append(
            Row("package_place_px", _PLACE, unit="px", limit=Limit("place_px", limits.place_px), needs=_NEEDS)
        )
    for package in display.packages:
        of, result = f"{package.eye} eye", package.result
        limit = Limit("place_px", limits.place_px)
        if result is None:
            needs = f"a package that can be written: {package.problem}"
            rows.append(Row("package_place_px", _PLACE, of, unit="px", limit=limit, needs=needs))
            continue
        rows += _rows(result, of, limit)
        rows.append(
            Row(
                "package_bytes",
                "size of the package, all files",
                of,
                sum(package.sizes.values()) / 1000.0,
                "kB",
                source="manifest",
            )
        )
        state = "all passed" if result.ok else f"{len(result.failures)} checks FAILED: do not use it"
        text.append(f"{of}: {len(result.checks)} checks of what was read back; {state}.")
        tables.append(_checks(result, of))
        sizes = tuple((kind, f"{size / 1000.0:.1f}") for kind, size in sorted(package.sizes.items()))
        tables.append(DataTable(f"{of}: bytes by kind of file", ("kind", "kB"), sizes))
    return Section(
        "package", "Tables and errors of the package", tuple(rows), tuple(tables), text=tuple(text)
    )


_NEEDS = "a device package (--package FOLDER, or leave out --no-package)"


def _rows(result: VerifyResult, of: str, limit: Limit) -> Iterator[Row]:
    worst = result.worst_place
    needs = "a package with tables or meshes" if result.ok else "a package whose checks are all good"
    yield Row(
        "package_place_px",
        _PLACE,
        of,
        worst.measured if worst is not None and result.ok else None,
        "px",
        limit=limit,
        needs=needs,
        note="against the fit, in a dense measure or at random points"
        + (f"; {worst.artefact}, {worst.subject}; requested {worst.requested:g} px" if worst else ""),
        source="read back and run",
    )
    light = result.light or {}
    for name, what in (("step_percent", "luminance step"), ("ripple_percent", "luminance ripple")):
        yield Row(
            f"package_{name}",
            f"{what} of a uniform field across the seam, from the package's own tables",
            of,
            light.get(name),
            "%",
            needs="a package of two channels or more with a blob of tables",
            note=f"requested {result.requested.max_light_percent:g} %; does not include errors of the "
            "luminance map",
            source="read back and run",
        )


def _checks(result: VerifyResult, of: str) -> DataTable:
    """Return of each kind of check the worst row, and every row that is wrong."""
    shown: dict[tuple[str, str], Check] = {}
    for check in result.checks:
        key = check.artefact, check.what
        if key not in shown or check.nearness > shown[key].nearness:
            shown[key] = check
    checks = [*shown.values(), *(one for one in result.failures if one not in shown.values())]
    rows = tuple(
        (
            check.artefact,
            check.what,
            _found(check),
            "-" if check.requested is None else f"{_limit_text(check.requested)} {check.unit}",
            _VERDICTS[check.ok],
        )
        for check in checks
    )
    head = ("artefact", "of", "measured, worst of all", "requested", "verdict")
    return DataTable(f"{of}: what was checked", head, rows)


def _limit_text(value: float) -> str:
    return _plain(value) if value < _TINY else f"{value:g}"


def _plain(value: float) -> str:
    """Return a small number without an exponent, two significant digits at most."""
    digits = 1 - math.floor(math.log10(value))
    return f"{value:.{digits}f}".rstrip("0")


def _found(check: Check) -> str:
    if check.measured is None:
        return check.note
    # Rounding is asked about where the request is as small: there its size is the answer.
    tiny = check.requested is not None and check.requested < _TINY and 0.0 < check.measured < _TINY
    told = _plain(check.measured) if tiny else number_text(check.measured)
    return f"{told} {check.unit} {check.subject}".strip()
