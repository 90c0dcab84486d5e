"""How much memory writing a package takes, told before its channels are joined."""

from collections.abc import Collection, Sequence
from math import ceil, prod

from prewarp.memory import PROGRAM_BYTES, require_memory

# Bytes by measurement: what checks and judges a package; the search for tables, and each map that it is held
# to; a node of the meshes of a pupil position, by what is written of it; a pixel of the largest ST map.
_CHECKED, _SEARCH, _MAP = 60e6, 150e6, 62e6
_NODE = {"csv": 1150.0, "gltf": 1150.0, "png": 750.0, "ktx2": 750.0}
_ST_PIXEL = 72.0
# What asks for a search for tables.
SEARCHED = frozenset({"lookup", "blocks"})


def working_bytes(
    panel_sizes_px: Sequence[tuple[int, int]], colours: int, step_px: float, formats: Collection[str], /
) -> float:
    """Return how much memory the package of an eye with these panels takes, bytes.

    Measured with three colours. What a grid of luminance takes is not in it.
    """
    search = 0.0
    if not SEARCHED.isdisjoint(formats):
        search = _SEARCH + _MAP * len(panel_sizes_px) * colours
    pixels = max(map(prod, panel_sizes_px), default=0)
    nodes = max((prod(ceil(length / step_px) + 1 for length in size) for size in panel_sizes_px), default=0)
    written = nodes * max((_NODE.get(one, 0.0) for one in formats), default=0.0) * max(colours / 3.0, 1.0)
    written += _ST_PIXEL * pixels if "st" in formats else 0.0
    return PROGRAM_BYTES + max(search, _CHECKED + written)


def require_package_memory(
    panel_sizes_px: Sequence[tuple[int, int]], colours: int, step_px: float, formats: Collection[str], /
) -> None:
    """Raise `PrewarpError` where memory does not hold the work (`working_bytes`)."""
    require_memory(
        working_bytes(panel_sizes_px, colours, step_px, formats),
        f"a package with {', '.join(formats)}, nodes {step_px:g} px apart,",
        "Ask for fewer kinds (--format) or a larger --step, or end other programs.",
    )
