"""From an eye to a verified package in one call: search the smallest tables, write, read back."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.filter_error import LARGEST_SHARE, filter_error_px, rounding_px
from prewarp.export.gpu_nodes import NODES_SHARE
from prewarp.export.judgement import GRADIENT_PER_DEG, Request, VerifyResult
from prewarp.export.lookup_files import worst_at_truth
from prewarp.export.package import DEFAULT_FORMATS, PackageOptions, export_package, truth_for
from prewarp.export.package_file import PackageFile
from prewarp.export.sealing import Sign
from prewarp.export.shader_files import DIALECTS, EXACT, FILTERED
from prewarp.export.st_map import require_room
from prewarp.export.truth import Truth
from prewarp.export.working import SEARCHED, require_package_memory
from prewarp.eye import Eye
from prewarp.folders import require_output_folder
from prewarp.lookup import OptimisationResult, Pins, optimise_lookup
from prewarp.mesh import NODE_STEP_PX

# How often tables are searched for, and by how much less is asked for each time.
_SEARCHES, _MARGIN = 4, 0.99
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
    max_light_percent: float = 0.5,
    pupils_mm: ArrayLike | None = None,
    dither: str = "none",
    step_px: float | None = None,
    pins: Pins | None = None,
    trade: bool = False,
    formats: tuple[str, ...] = DEFAULT_FORMATS,
    texture: str = "snorm16",
    sampling: str | None = None,
    dialects: tuple[str, ...] = DIALECTS,
    late: bool = False,
    provenance: Mapping[str, object] | None = None,
    extra: Callable[[OptimisationResult], tuple[PackageFile, ...]] = lambda found: (),
    sign: Sign | None = None,
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
        Largest error of every artefact over panel, eye box and colours, panel px.
    max_light_percent : float
        Largest luminance step and ripple of a uniform field across the seam, percent.
    pupils_mm : (n, 3) float array, optional
        Where meshes and textures are written, mm; 3 x 3 positions over the eye box if not given. The lookup
        serves all.
    dither : str
        "none", "bayer" or "blue", in shaders.
    step_px : float
        Largest distance between mesh nodes, panel px; 16, or less where meshes need it, if not given.
    pins, trade
        What the search of tables may not choose, and whether it tells of every family; see `optimise_lookup`.
    formats, texture, dialects
        What is written; see `PackageOptions`.
    sampling : str, optional
        How shaders read content between its pixels: "exact", by fetches and arithmetic, or "filtered", by the
        texture unit, if its rounding takes at most a tenth of `max_error_px`. Tables are held to the rest.
    late : bool
        Shaders turn directions with the head, line by line; the module must declare the scan of every panel.
    provenance : mapping, optional
        Facts about the fit, written into the manifest as they are (JSON); those of the fit if not given.
    extra : callable, optional
        Further files, made of the search's result.
    sign : callable, optional
        Signs the manifest; from `prewarp.export.signing.read_signing_key`.
    progress : callable, optional
        Called with a text before each step.

    Raises
    ------
    PackageError
        Something does not keep what was asked for, or what was read back is not what was written. It says
        what, and nothing is written.
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
    request = Request(max_error_px, max_light_percent, GRADIENT_PER_DEG if eye.feather_deg is None else None)
    build = DeviceBuild(
        eye,
        np.asarray(eye.eye_box.lattice(PUPILS) if pupils_mm is None else pupils_mm, dtype=float),
        dither,
        NODE_STEP_PX if step_px is None else step_px,
        late,
    )
    if "st" in formats:
        require_room(build)
    progress("evaluating the fit at random points")
    truth = truth_for(build, formats)
    if sampling is None:
        most_px = LARGEST_SHARE * max_error_px
        sampling = FILTERED if filter_error_px(truth, eye.content) <= most_px else EXACT
    found = None
    if not SEARCHED.isdisjoint(formats):
        limit_px = max_error_px - rounding_px(truth, eye.content, sampling)
        if "gpu" in formats:
            # The rest is for triangles, from whose nodes nobody else can take it.
            limit_px -= NODES_SHARE * max_error_px
        found = _search(build, truth, limit_px, pins or Pins(), trade, progress)
    options = PackageOptions(
        formats=formats,
        lookup=None if found is None else found.lookup,
        request=request,
        texture=texture,
        sampling=sampling,
        dialects=dialects,
        eye=eye.side or "",
        provenance={"fit": dict(eye.fields.provenance)} if provenance is None else provenance,
        extra=() if found is None else extra(found),
        sign=sign,
    )
    while True:
        try:
            done = export_package(Path(folder), build, options, truth=truth, progress=progress)
        except PackageError as cause:
            finer = cause.fields.get("step_px")
            if step_px is not None or not isinstance(finer, float):
                raise
            progress(f"meshes again, with nodes {finer:g} px apart")
            build = replace(build, step_px=finer)
            sizes = [build.panel_size_px(channel) for channel in build.channels]
            require_package_memory(sizes, len(build.colours), finer, formats)
        else:
            return WrittenPackage(Path(folder), done.manifest, done.verification, found)


def _search(
    build: DeviceBuild,
    truth: Truth,
    limit_px: float,
    pins: Pins,
    trade: bool,
    progress: Callable[[str], None],
) -> OptimisationResult:
    """Return the smallest tables that keep the error, at the truth's points too: there, between the points of
    the search, a table may be a little worse.
    """
    asked = limit_px
    for _ in range(_SEARCHES):
        found = optimise_lookup(
            build.fields,
            max_error_px=asked,
            pupil_box_mm=build.pupil_box_mm,
            pins=pins,
            trade=trade,
            channels=build.channels,
            seam=build.seam,
            content=build.content,
            progress=progress,
        )
        worst = worst_at_truth(found.lookup, truth, build.seam)
        if worst <= limit_px:
            return found
        progress(f"{worst:.4g} px at random points: searching for less")
        asked *= _MARGIN * limit_px / worst
    raise PackageError(
        f"the smallest tables are {worst:.4g} px off at random points; expected at most "
        f"{limit_px:.4g} px. Allow a larger error (--max-error), or fix less "
        "(--family, --mesh, --rank, --bits)."
    )
