"""From an eye to a verified package in one call: search the smallest tables, write, read back."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.export.build import DeviceBuild
from prewarp.export.package import FORMATS, PackageOptions, export_package
from prewarp.export.package_file import PackageFile
from prewarp.export.shader_files import DIALECTS
from prewarp.export.verify import VerifyResult
from prewarp.eye import Eye
from prewarp.folders import require_output_folder
from prewarp.lookup import OptimisationResult, Pins, optimise_lookup
from prewarp.mesh import NODE_STEP_PX

# Pupil positions per axis of the eye box at which meshes and textures are written where none are given.
PUPILS = (3, 3, 1)


@dataclass(frozen=True, repr=False)
class WrittenPackage:
    """A package in its place: `manifest` as written, `verification` that it passed, `search` of its tables,
    if any.
    """

    folder: Path
    manifest: dict[str, Any]
    verification: VerifyResult
    search: OptimisationResult | None

    def __repr__(self) -> str:
        files = self.manifest["files"]
        size = sum(file["bytes"] for file in files) / 1e6
        return (
            f"<package {self.folder}: {len(files)} files, {size:.3g} MB, {len(self.verification.checks)} "
            "checks passed>"
        )


def write_package(
    folder: Path | str,
    eye: Eye,
    /,
    *,
    max_error_px: float = 0.25,
    pupils_mm: ArrayLike | None = None,
    dither: str = "none",
    step_px: float = NODE_STEP_PX,
    pins: Pins | None = None,
    trade: bool = False,
    formats: tuple[str, ...] = FORMATS,
    texture: str = "snorm16",
    dialects: tuple[str, ...] = DIALECTS,
    late: bool = False,
    provenance: Mapping[str, object] | None = None,
    extra: Callable[[OptimisationResult], tuple[PackageFile, ...]] = lambda found: (),
    progress: Callable[[str], None] = lambda text: None,
) -> WrittenPackage:
    """Write an eye as a device package, verified before it takes its place.

    Parameters
    ----------
    folder : path
        Folder to make; a package of this name is replaced. Asked before the work begins.
    eye : Eye
        From `assemble_eye`.
    max_error_px : float
        Largest error of lookup and tables over panel, eye box and colours, panel px.
    pupils_mm : (n, 3) float array, optional
        Where meshes and textures are written, mm; 3 x 3 positions over the eye box if not given. The lookup
        serves all.
    dither : str
        "none", "bayer" or "blue", in shaders.
    step_px : float
        Largest distance between mesh nodes, panel px.
    pins, trade
        What the search of tables may not choose, and whether it tells of every family; see `optimise_lookup`.
    formats, texture, dialects
        What is written; see `PackageOptions`.
    late : bool
        Shaders turn directions with the head, line by line; the module must declare the scan of every panel.
    provenance : mapping, optional
        Facts about the fit, written into the manifest as they are (JSON); those of the fit if not given.
    extra : callable, optional
        Further files, made of the search's result.
    progress : callable, optional
        Called with a text before each step.

    Raises
    ------
    PackageError
        Tables that cannot keep the error, or what was read back is not what was written.
    InputFileError
        The folder holds something that prewarp did not write, or that was changed since.

    Examples
    --------
    >>> import prewarp
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> eye = prewarp.assemble_eye(prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px), module)
    >>> package = prewarp.write_package("visor_package", eye, max_error_px=0.5, formats=("lookup",))
    >>> package.verification.ok
    True
    """
    require_output_folder(Path(folder))
    build = DeviceBuild(
        eye,
        np.asarray(eye.eye_box.lattice(PUPILS) if pupils_mm is None else pupils_mm, dtype=float),
        dither,
        step_px,
        late,
    )
    found = None
    if "lookup" in formats:
        found = optimise_lookup(
            eye.fields,
            max_error_px=max_error_px,
            pupil_box_mm=build.pupil_box_mm,
            pins=pins or Pins(),
            trade=trade,
            channels=eye.channels,
            content=eye.content,
            progress=progress,
        )
    options = PackageOptions(
        formats=formats,
        lookup=None if found is None else found.lookup,
        limit_px=max_error_px,
        texture=texture,
        dialects=dialects,
        eye=eye.side or "",
        provenance={"fit": dict(eye.fields.provenance)} if provenance is None else provenance,
        extra=() if found is None else extra(found),
    )
    done = export_package(Path(folder), build, options, progress=progress)
    return WrittenPackage(Path(folder), done.manifest, done.verification, found)
