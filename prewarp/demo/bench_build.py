"""From the grid of a capture to a verified package: check, free poses, fit, register, light, export."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from prewarp.checking import CheckResult, check_grid
from prewarp.demo.bench_pairs import pairs_of_capture
from prewarp.demo.figures import MOVED_MM, light_figures
from prewarp.export.write import write_package
from prewarp.eye import Eye, assemble_eye
from prewarp.field import FieldSet
from prewarp.grids import Grid
from prewarp.module import DisplayModule
from prewarp.poses import PoseEstimate, fit_free_poses
from prewarp.registration import RegistrationResult, register_channels
from prewarp.render.seam_light import seam_light

Step = Callable[[str], None]


@dataclass(frozen=True)
class BenchFit:
    """What was fitted: findings of the check, poses found, and the fit, channels registered."""

    checked: CheckResult
    poses: PoseEstimate
    fields: FieldSet
    registered: RegistrationResult


@dataclass(frozen=True)
class BenchBuilt:
    """What came of a grid: poses found, the registered fit, the joined eye, and figures of each step."""

    module: DisplayModule
    grid: Grid
    poses: PoseEstimate
    fields: FieldSet
    eye: Eye
    figures: dict[str, Any]


def fit_of_bench(
    grid: Grid, module: DisplayModule, step: Step, /, *, base: FieldSet | None = None
) -> BenchFit:
    """Check a grid, fit it with free poses, and register its two channels by what their shots share.

    `step` is told what was done; `base`: an earlier fit to tell the difference to.
    """
    checked = check_grid(grid, module=module)
    step(f"{len(grid)} samples checked, {checked.count('error')} errors, {checked.count('warning')} warnings")
    fields, poses = fit_free_poses(grid, panel_size_px=module.panel_sizes_px, base=base)
    step("poses found, and fitted")
    first, second = fields.channels
    pairs = pairs_of_capture(poses.moved(grid), (first, second), fields.colours[0])
    registered = register_channels(fields, pairs)
    step(f"channels registered by {len(pairs)} pairs")
    turned = fields.mounted(registered.mounts, provenance={"registered": len(pairs)})
    return BenchFit(checked, poses, turned, registered)


def build_from_grid(
    grid: Grid,
    module: DisplayModule,
    package: Path,
    max_error_px: float,
    step: Step,
    /,
    *,
    base: FieldSet | None = None,
) -> BenchBuilt:
    """Check, fit, register, match light and write the package of one eye; arguments as `fit_of_bench`."""
    fit = fit_of_bench(grid, module, step, base=base)
    fields, poses, checked = fit.fields, fit.poses, fit.checked
    eye = assemble_eye(fields, module, luminance=grid)
    light = seam_light(eye, pupil_mm=MOVED_MM)
    step("channels joined, and light matched")
    written = write_package(package, eye, max_error_px=max_error_px, formats=("lookup",))
    step("package written and verified")
    summary = fields.summary()
    figures = {
        "check": {kind: checked.count(kind) for kind in ("error", "warning", "remark")},
        "poses": {
            "found_mm": poses.scatter[0],
            "found_arcmin": poses.scatter[1],
            "modes": poses.modes.as_dict(),
        },
        "fit": {
            "noise_px": max(max(one.sigma_px) for one in fields.reports),
            "floor_px": summary["floor_px"],
            "models": {one.channel: one.model for one in fields.reports},
            "outliers": sum(len(one.outlier_rows) for one in fields.reports),
        },
        "register": fit.registered.as_dict(),
        "light": light_figures(light, eye.require_match()),
        "package": {
            "bytes": sum(one["bytes"] for one in written.manifest["files"]),
            "checks": len(written.verification.checks),
        },
    }
    return BenchBuilt(module, grid, poses, fields, eye, figures)
