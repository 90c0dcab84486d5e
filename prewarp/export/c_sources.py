"""The C evaluator's sources: fixed files of the package and the header made from the layout."""

from pathlib import Path

from prewarp.errors import PackageError
from prewarp.export.c_header import layout_header
from prewarp.files import write_text

FOLDER = Path(__file__).parent / "c"
HEADERS = (
    "prewarp_lookup.h",
    "prewarp_turn.h",
    "prewarp_names.h",
    "prewarp_bytes.h",
    "prewarp_bits.h",
    "prewarp_float.h",
    "prewarp_lines.h",
    "prewarp_fixed.h",
)
SOURCES = (
    "prewarp_open.c",
    "prewarp_float.c",
    "prewarp_claims.c",
    "prewarp_light.c",
    "prewarp_mesh.c",
    "prewarp_chebyshev.c",
    "prewarp_lines.c",
    "prewarp_fixed.c",
    "prewarp_fixed_light.c",
    "prewarp_fixed_mesh.c",
    "prewarp_turn.c",
    "prewarp_fixed_turn.c",
    "prewarp_names.c",
)
LAYOUT_HEADER = "prewarp_layout.h"


def c_sources() -> dict[str, str]:
    """Return every file of the C evaluator by name.

    Raises
    ------
    PackageError
        A file of the package is missing.
    """
    texts = {LAYOUT_HEADER: layout_header()}
    for name in (*HEADERS, *SOURCES):
        try:
            texts[name] = (FOLDER / name).read_text(encoding="utf-8")
        except OSError as cause:
            raise PackageError(f"{FOLDER / name}: cannot be read. Install the package again.") from cause
    return texts


def write_c_sources(folder: Path, /) -> tuple[str, ...]:
    """Write the C evaluator into a folder; return the names written."""
    texts = c_sources()
    for name, text in texts.items():
        write_text(folder / name, text)
    return tuple(texts)
