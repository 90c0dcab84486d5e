"""Whether a capture, a package and a module are of one display, asked before anything is judged.

What cannot be told from names and sizes (a package of another unit, swapped channels, a mirrored panel) shows
in the figures, or in the quick check of the grid.
"""

import numpy as np

from prewarp.checking import quick_check
from prewarp.errors import GridError, PackageError
from prewarp.export.lookup_files import BLOB
from prewarp.export.package_reading import Package
from prewarp.grids import Grid
from prewarp.lookup import Lookup
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.module import DisplayModule

# Sides of eye boxes are the same within this, mm, and angles of content within this, degrees.
_SAME_MM, _SAME_DEG = 1e-3, 1e-6


def lookup_of(package: Package, /) -> Lookup:
    """Return the lookup of a package, from its own bytes.

    Raises
    ------
    PackageError
        It has none, or its blob was changed or cannot be read.
    """
    entries = package.entries(BLOB)
    if not entries:
        raise PackageError(
            f"{package.folder}: holds no lookup, whose tables are judged. Export with --format lookup."
        )
    return lookup_from_blob(package.data(entries[0]), source=str(package.path(entries[0])))


def side_of(package: Package, module: DisplayModule, /) -> str:
    """Return the eye that a package is of, after holding it to the module.

    Raises
    ------
    PackageError
        It is of another display: channels, colours, panels, content or eye box differ; says which.
    """
    where = f"{package.folder}: not a package of module '{module.name}'"
    mend = "Give the module that the package was exported with."
    known = {channel.name: channel for channel in module.channels}
    strange = [name for name in package.channels if name not in known]
    if strange:
        raise PackageError(f"{where}: channel '{strange[0]}' is not in it; it has {', '.join(known)}. {mend}")
    sides = {known[name].eye for name in package.channels}
    stated = str(package.manifest.get("eye") or "")
    if len(sides) > 1 or (stated and stated not in sides):
        raise PackageError(
            f"{where}: the package is of the {stated or 'one'} eye, its channels are of the "
            f"{' and '.join(sorted(sides))} eye in the module. {mend}"
        )
    (side,) = sides
    wanted = [channel.name for channel in module.channels_of(side)]
    differing = [
        (f"channels of the {side} eye", sorted(package.channels), sorted(wanted)),
        ("colours", sorted(package.colours), sorted(module.colour_names)),
        *(
            (f"panel of '{name}', px", package.panel_size_px(name), known[name].panel.size_px)
            for name in package.channels
        ),
        ("content", _content(package), _module_content(module)),
    ]
    for what, found, expected in differing:
        if found != expected:
            raise PackageError(f"{where}: {what} {_told(found)}; the module has {_told(expected)}. {mend}")
    box = np.asarray(package.manifest["pupil_box_mm"], dtype=float)
    half = module.eye_box.half_mm
    if box.shape != (2, 3) or np.abs(box - np.stack([-half, half])).max() > _SAME_MM:
        raise PackageError(
            f"{where}: its pupil positions {_told(box.tolist())} mm are not the module's eye box, half sizes "
            f"{_told(half.tolist())} mm. {mend}"
        )
    return side


def rows_of_eye(grid: Grid, package: Package, module: DisplayModule, /) -> Grid:
    """Return the rows of a grid that are of the package's channels, after a quick check of them.

    Raises
    ------
    GridError
        A channel or colour that the module has not, none of the package's channels, or what would spoil any
        use of the grid: columns, units, axes, mixed-up names (`prewarp check` tells more).
    """
    for what, names, known in (
        ("channel", grid.channel_names, module.channel_names),
        ("colour", grid.colour_names, module.colour_names),
    ):
        strange = [name for name in names if name not in known]
        if strange:
            raise GridError(
                f"{grid.source}: {what} '{strange[0]}' is not in module '{module.name}'; it has "
                f"{', '.join(known)}. Give the capture of this display, or its module."
            )
    mine = [number for number, name in enumerate(grid.channel_names) if name in package.channels]
    if not mine:
        raise GridError(
            f"{grid.source}: channels {', '.join(grid.channel_names)}; the package is of "
            f"{', '.join(package.channels)}. Give the package of the eye that was captured."
        )
    own = grid if len(mine) == len(grid.channel_names) else grid.take(np.isin(grid.channel, mine))
    if not own.finite.any():
        raise GridError(f"{grid.source}: no row is finite. Measure again.")
    errors = [one for one in quick_check(own, module=module).findings if one.severity == "error"]
    if errors:
        more = f" {len(errors) - 1} more: see 'prewarp check'." if len(errors) > 1 else ""
        raise GridError(
            f"{grid.source}: {errors[0].sentence()}{more} Nothing is judged by a capture like this.",
            path=grid.source,
        )
    return own


def _content(package: Package) -> tuple[str, tuple[int, int], float]:
    content = package.content
    return content.projection, content.size_px, round(content.field_x_deg / _SAME_DEG) * _SAME_DEG


def _module_content(module: DisplayModule) -> tuple[str, tuple[int, int], float]:
    content = module.content
    return content.projection, content.size_px, round(content.field_x_deg / _SAME_DEG) * _SAME_DEG


def _told(value: object) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_told(one) for one in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
