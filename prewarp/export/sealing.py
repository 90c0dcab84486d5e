"""What tells whether a manifest is the one that was written, and by whom: its digest and its signature.

Both are over the canonical manifest: JSON in UTF-8 with sorted keys and without white space outside strings,
which is what `manifest.json` holds but for that white space. `manifest.sha256` holds the SHA-256 as 64
hexadecimal digits and a line end. `manifest.sig`, where a package is signed, holds 64 raw bytes of Ed25519
(RFC 8032) over the canonical manifest.
"""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

from prewarp.errors import InputFileError
from prewarp.export.package_file import JsonObject
from prewarp.files import read_bytes, sha256_of_bytes, write_bytes

DIGEST, SIGNATURE = "manifest.sha256", "manifest.sig"
_MOST_BYTES = 256

# Signs bytes.
Sign = Callable[[bytes], bytes]


def canonical_bytes(manifest: JsonObject, /) -> bytes:
    """Return the canonical form of a manifest; `ValueError` for numbers that are not finite."""
    text = json.dumps(manifest, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8")


def manifest_text(manifest: JsonObject, /) -> str:
    """Return the manifest as people read it: the canonical form with white space between its parts."""
    return json.dumps(manifest, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def manifest_from_bytes(data: bytes, /) -> Any:
    """Return what a manifest says.

    Raises
    ------
    ValueError
        It is not JSON in UTF-8, a key stands twice (readers would differ in which they take), or a number is
        not finite.
    """
    found = json.loads(
        data.decode("utf-8"), object_pairs_hook=_once, parse_constant=_not_finite, parse_float=_finite
    )
    return found


def write_seal(folder: Path, manifest: JsonObject, sign: Sign | None, /) -> None:
    """Write digest and, where there is a key, signature of a manifest."""
    canonical = canonical_bytes(manifest)
    write_bytes(folder / DIGEST, f"{sha256_of_bytes(canonical)}\n".encode())
    if sign is not None:
        write_bytes(folder / SIGNATURE, sign(canonical))


def read_seal(folder: Path, name: str, /) -> bytes | None:
    """Return what the digest's or the signature's file holds; None where there is none."""
    if not (folder / name).exists():
        return None
    try:
        return read_bytes(folder / name, limit_bytes=_MOST_BYTES, what=f"the {name} of a package")
    except InputFileError:
        # Of no use, like one of other bytes.
        return b""


def _once(pairs: list[tuple[str, Any]]) -> JsonObject:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"the key {twice!r} stands twice")
    return found


def _not_finite(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        _not_finite(text)
    return number
