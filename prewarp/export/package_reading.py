"""Reading a package back, trusting nothing in it: manifest, paths, sizes, hashes."""

from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from prewarp.content import ContentProjection
from prewarp.errors import InputFileError, ModuleError, PackageError
from prewarp.export.judgement import Request
from prewarp.export.package_file import JsonObject
from prewarp.export.sealing import DIGEST, SIGNATURE, manifest_from_bytes
from prewarp.files import MEBIBYTE, read_bytes, respelt, sha256_of_bytes
from prewarp.folders import MARKER
from prewarp.module import EYES

FORMAT, VERSION = "prewarp package", 3
# Differs in the spelling of keys alone.
OLDER_VERSION = 2
MANIFEST = "manifest.json"
MAX_MANIFEST_BYTES = 64 * MEBIBYTE
MAX_FILE_BYTES = 1024 * MEBIBYTE


@dataclass(frozen=True)
class Package:
    """A package on disk: its folder and its manifest, of which only format and paths have been checked."""

    folder: Path
    manifest: JsonObject
    # As it was read, before older spellings of keys were brought up to date.
    written: JsonObject = field(default_factory=dict)
    # What is asked of it now; else what was asked when it was written.
    asked: Request | None = None
    # What of its files was read already, by kind.
    kept: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def content(self) -> ContentProjection:
        """How the content picture lies on directions."""
        own = self.manifest["content"]
        width, height = own["size_px"]
        return ContentProjection(str(own["projection"]), (int(width), int(height)), float(own["field_x_deg"]))

    @property
    def request(self) -> Request:
        """What is asked of the package."""
        return self.asked or Request.from_dict(self.manifest["requested"])

    @property
    def channels(self) -> list[str]:
        """Names of the channels."""
        return [str(one["channel"]) for one in self.manifest["channels"]]

    @property
    def colours(self) -> list[str]:
        """Names of the colours."""
        return [str(name) for name in self.manifest["colors"]]

    def panel_size_px(self, channel: str, /) -> tuple[int, int]:
        """Width and height of a channel's panel."""
        width, height = self.manifest["channels"][self.channels.index(channel)]["panel_size_px"]
        return int(width), int(height)

    def entries(self, kind: str | None = None, /) -> list[JsonObject]:
        """Return what the manifest says of the files of a kind, or of all."""
        return [one for one in self.manifest["files"] if kind is None or one["kind"] == kind]

    def path(self, entry: JsonObject, /) -> Path:
        """Return where a listed file lies."""
        return self.folder / str(entry["path"])

    def data(self, entry: JsonObject, /) -> bytes:
        """Return the bytes of a listed file after checking size and hash.

        Raises
        ------
        PackageError
            The file is missing, changed, or lies outside the folder.
        """
        path = self.path(entry)
        if not path.resolve().is_relative_to(self.folder.resolve()):
            raise PackageError(f"{path}: leads out of the package. Export again.")
        try:
            data = read_bytes(path, limit_bytes=MAX_FILE_BYTES, what="a file of a package")
        except InputFileError as cause:
            raise PackageError(str(cause)) from cause
        if len(data) != entry["bytes"] or sha256_of_bytes(data) != entry["sha256"]:
            raise PackageError(
                f"{path}: the file is not the one that was exported ({len(data)} bytes, {entry['bytes']} in "
                "the manifest; its SHA-256 differs). Export again."
            )
        return data

    def unlisted(self) -> list[str]:
        """Return files in the folder that the manifest does not name."""
        known = {MANIFEST, DIGEST, SIGNATURE, MARKER, *(entry["path"] for entry in self.entries())}
        files = (path for path in self.folder.rglob("*") if path.is_symlink() or not path.is_dir())
        return sorted({path.relative_to(self.folder).as_posix() for path in files} - known)


def read_package(folder: Path, /) -> Package:
    """Open a package: its manifest is read, its format and the paths in it are checked.

    Raises
    ------
    PackageError
        The folder or its manifest is missing, is not a package's, or names a file outside the folder.
    """
    folder = Path(folder)
    try:
        data = read_bytes(folder / MANIFEST, limit_bytes=MAX_MANIFEST_BYTES, what="the manifest of a package")
    except InputFileError as cause:
        eyes = " and ".join(str(folder / eye) for eye in EYES if (folder / eye / MANIFEST).is_file())
        told = f"{folder}: holds a package per eye; give one at a time: {eyes}." if eyes else str(cause)
        raise PackageError(told) from cause
    try:
        written = manifest = manifest_from_bytes(data)
    except (ValueError, RecursionError) as cause:
        raise PackageError(f"{folder / MANIFEST}: not JSON ({cause}). Export again.") from cause
    found = (manifest.get("format"), manifest.get("version")) if isinstance(manifest, dict) else None
    if found == (FORMAT, OLDER_VERSION):
        manifest = _respelt(manifest)
    elif found != (FORMAT, VERSION):
        raise PackageError(
            f"{folder / MANIFEST}: names {found}; expected {(FORMAT, VERSION)}. "
            "Export again with this version."
        )
    package = Package(folder, manifest, written)
    try:
        paths = [entry["path"] for entry in package.entries()]
        for entry in package.entries():
            if not isinstance(entry["bytes"], int) or not isinstance(entry["sha256"], str):
                raise TypeError(f"size or hash of {entry['path']!r}")
            dict(entry["details"])
        if not (package.request and package.content and package.channels and package.colours):
            raise ValueError("no channels or colours")
        for channel in package.channels:
            package.panel_size_px(channel)
    # A damaged manifest can lack any key or hold any kind of value; each means the same to the reader.
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, ModuleError, PackageError) as cause:
        raise PackageError(
            f"{folder / MANIFEST}: is damaged ({type(cause).__name__}: {cause}). Export again."
        ) from cause
    for path in paths:
        _require_inside(folder, path)
    return package


def require_complete(folder: Path, /) -> None:
    """Raise unless a folder holds what its manifest lists, byte by byte, and nothing else.

    Raises
    ------
    PackageError
        It does not, or is no package.
    """
    package = read_package(folder)
    for entry in package.entries():
        package.data(entry)
    unlisted = package.unlisted()
    if unlisted:
        raise PackageError(f"{folder}: holds what its manifest does not list: {', '.join(unlisted[:5])}.")


def _respelt(value: Any) -> Any:
    """Return a manifest with today's spelling of keys."""
    if isinstance(value, dict):
        return respelt({name: _respelt(one) for name, one in value.items()})
    return [_respelt(one) for one in value] if isinstance(value, list) else value


def _require_inside(folder: Path, name: object) -> None:
    path = PurePosixPath(name if isinstance(name, str) else "")
    inside = not path.is_absolute() and ".." not in path.parts and "\\" not in str(path)
    if not inside or str(path) in (".", MANIFEST, DIGEST, SIGNATURE):
        raise PackageError(
            f"{folder / MANIFEST}: names the file {name!r}; expected a path inside the package."
        )
