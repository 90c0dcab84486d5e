"""`build_module`: one module of the demo from its grid to a joined picture, with everything that is measured on the way."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from prewarp.budget import Budget, BudgetScene, seam_surface, tracker_budget
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
from prewarp.encoding import transfer_of_panel
from prewarp.field import FieldSet, fit_grid
from prewarp.focus import focus_step
from prewarp.grids import read_grid
from prewarp.module import DisplayModule, read_module
from prewarp.photometry import fit_luminance, lit_fields, match_light
from prewarp.render.seam_light import SeamLight, seam_light
from prewarp.resources import resource_path
from prewarp.seam import Overlap, Seam, build_seam, overlaps
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
    fields: FieldSet
    seam: Seam
    overlap: Overlap
    errors: dict[str, FloatArray]
    light: SeamLight
    budget: Budget
    figures: dict

    @property
    def title(self) -> str:
        """Name for people."""
        return f"{self.name.capitalize()} module"


def build_module(name: str, step: Callable[[str], None], /) -> BuiltModule:
    """Check, fit, join and measure one module; `step` is told of each of `STEPS` steps. Modules are built side by side."""
    module = read_module(resource_path("calib", f"{name}.module.toml"))
    design = read_design(resource_path("calib", f"{name}.design.toml"))
    capture = capture_of(read_grid(resource_path("calib", f"{name}.grid.npz")))
    checked = check_grid(capture.grid, module=module)
    step(
        f"{name}: {len(capture.grid)} samples checked, {checked.count('error')} errors, {checked.count('warning')} warnings"
    )
    fields = fit_grid(
        capture.grid,
        panel_size_px={channel.name: channel.panel.size_px for channel in module.channels},
        threads=1,
    )
    step(f"{name}: fitted")
    seam = build_seam(fields, pupils_mm=module.eye_box.corners)
    (overlap,) = overlaps(seam)
    errors = seam_errors(TracedOptics(design, module), fields, overlap)
    step(f"{name}: seam built, and judged by the traced optics")
    light, light_result = _match_light(capture, fields, module, seam)
    step(f"{name}: light matched")
    focus = focus_step(fields, overlap.channels, overlap.tangent)
    budget = _budget(fields, module, overlap, focus.step_dioptres)
    step(f"{name}: tracker budget drawn")
    figures = {
        "check": {kind: checked.count(kind) for kind in ("error", "warning", "remark")},
        "fit": fit_figures(fields, capture),
        "seam_error": seam_figures(errors),
        "reach": reach_figures(fields, seam),
        "light": light_result,
        "focus": focus.as_dict(),
        "tracker": budget.as_dict(),
    }
    step(f"{name}: measured")
    return BuiltModule(name, module, capture, fields, seam, overlap, errors, light, budget, figures)


def _match_light(
    capture: Capture, fields: FieldSet, module: DisplayModule, seam: Seam
) -> tuple[SeamLight, dict]:
    """Return the luminance across the seam before and after the match, pupil moved and tracked, and its figures."""
    maps = fit_luminance(
        capture.grid, panel_sizes_px={channel.name: channel.panel.size_px for channel in module.channels}
    )
    box = module.eye_box
    lit = lit_fields(fields, maps, pupils_mm=box.lattice((3, 3, 1)))
    match = match_light(lit, maps, seam, pupils_mm=np.vstack([np.zeros(3), box.corners]))
    seen = seam_light(
        lit,
        maps,
        seam,
        match,
        pupil_mm=MOVED_MM,
        transfers={channel.name: transfer_of_panel(channel.panel) for channel in module.channels},
        bit_depths={channel.name: channel.panel.bit_depth for channel in module.channels},
    )
    return seen, light_figures(seen, match)


def _budget(
    fields: FieldSet, module: DisplayModule, overlap: Overlap, focus_step_dioptres: FloatArray
) -> Budget:
    first, second = (fields.field(name, fields.colours[0]) for name in overlap.channels)
    surface = seam_surface(first, second, overlap.thinned(BUDGET_DIRECTIONS), eye_box=module.eye_box)
    return tracker_budget(
        BudgetScene(surface),
        focus_step_dioptres=focus_step_dioptres,
        samples=BUDGET_SAMPLES,
        latencies_ms=LATENCIES_MS,
    )
