"""Distortion grids of tiled see-through displays to verified pre-warp tables, meshes and shaders.

The front door: what takes a grid file to a verified package and says how good it is. Everything else is
reached through its module. Names are imported when they are first asked for.
"""

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from prewarp.budget import seam_budget as seam_budget
    from prewarp.checking import check_grid as check_grid
    from prewarp.errors import PrewarpError as PrewarpError
    from prewarp.export.verify import verify_package as verify_package
    from prewarp.export.write import write_package as write_package
    from prewarp.eye import Eye as Eye
    from prewarp.eye import assemble_eye as assemble_eye
    from prewarp.field import FieldSet as FieldSet
    from prewarp.field import compare_grid as compare_grid
    from prewarp.field import fit_grid as fit_grid
    from prewarp.grids import Grid as Grid
    from prewarp.grids import read_grid as read_grid
    from prewarp.module import DisplayModule as DisplayModule
    from prewarp.module import read_module as read_module

__version__ = "0.1.1"

_HOMES = {
    "DisplayModule": "module",
    "Eye": "eye",
    "FieldSet": "field",
    "Grid": "grids",
    "PrewarpError": "errors",
    "assemble_eye": "eye",
    "check_grid": "checking",
    "compare_grid": "field",
    "fit_grid": "field",
    "read_grid": "grids",
    "read_module": "module",
    "seam_budget": "budget",
    "verify_package": "export.verify",
    "write_package": "export.write",
}
__all__ = list(_HOMES)


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'prewarp' has no attribute {name!r}; it offers {', '.join(_HOMES)}.")
    return getattr(importlib.import_module(f"prewarp.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
