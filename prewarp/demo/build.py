"""`build_module`: one module of the demo from its grid to a joined picture, with everything that is measured
on the way.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from prewarp.budget import Budget, seam_budget
from prewarp.checking import check_grid
from prewarp.checks import FloatArray
from prewarp.demo.capture import Capture, capture_of
from prewarp.demo.figures import (
    MOVED_MM,
    fit_figures,
    light_figures,
    reach_figures,
    seam_errors,
    seam_figures,
)
from prewarp.demo.truth import TracedOptics
from prewarp.eye import Eye, assemble_eye
from prewarp.field import fit_grid
from prewarp.focus import focus_step
from prewarp.grids import read_grid
from prewarp.module import DisplayModule, read_module
from prewarp.render.seam_light import SeamLight, seam_light
from prewarp.resources import resource_path
from prewarp.seam import Overlap
from prewarp.trace import read_design

STEPS = 6
# Moments of eye movement drawn for the tracker budget, and directions of the seam looked at.
BUDGET_SAMPLES, BUDGET_DIRECTIONS = 100_000, 24
# Latencies of the drawn frontier, ms.
LATENCIES_MS = (0.0, 5.0, 10.0, 15.0, 25.0, 40.0)


@dataclass(frozen=True)
class BuiltModule:
    """One module after all steps but the pictures."""

    name: str
    module: DisplayModule
    capture: Capture
    eye: Eye
    overlap: Overlap
    errors: dict[str, FloatArray]
    light: SeamLight
    budget: Budget
    figures: dict[str, Any]

    @property
    def title(self) -> str:
        """Name for people."""
        return f"{self.name.capitalize()} module"


def build_module(name: str, step: Callable[[str], None], /) -> BuiltModule:
    """Check, fit, join and measure one module; `step` is told of each of `STEPS` steps. Modules are built
    side by side.
    """
    module = read_module(resource_path("calib", f"{name}.module.toml"))
    design = read_design(resource_path("calib", f"{name}.design.toml"))
    capture = capture_of(read_grid(resource_path("calib", f"{name}.grid.npz")))
    checked = check_grid(capture.grid, module=module)
    step(
        f"{name}: {len(capture.grid)} samples checked, {checked.count('error')} errors, "
        f"{checked.count('warning')} warnings"
    )
    fields = fit_grid(capture.grid, panel_size_px=module.panel_sizes_px, threads=1)
    step(f"{name}: fitted")
    eye = assemble_eye(fields, module, luminance=capture.grid)
    step(f"{name}: channels joined, and light matched")
    (overlap,) = eye.overlaps()
    errors = seam_errors(TracedOptics(design, module), eye.fields, overlap)
    step(f"{name}: seam judged by the traced optics")
    light = seam_light(eye, pupil_mm=MOVED_MM)
    focus = focus_step(eye.fields, overlap.channels, overlap.tangent)
    budget = seam_budget(
        eye, overlap, directions=BUDGET_DIRECTIONS, samples=BUDGET_SAMPLES, latencies_ms=LATENCIES_MS
    )
    step(f"{name}: tracker budget drawn")
    figures = {
        "check": {kind: checked.count(kind) for kind in ("error", "warning", "remark")},
        "fit": fit_figures(fields, capture),
        "seam_error": seam_figures(errors),
        "reach": reach_figures(eye.fields, eye.seam),
        "light": light_figures(light, eye.require_match()),
        "focus": focus.as_dict(),
        "tracker": budget.as_dict(),
    }
    step(f"{name}: measured")
    return BuiltModule(name, module, capture, eye, overlap, errors, light, budget, figures)
