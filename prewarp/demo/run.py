"""`run_demo`: both modules through every step, figures and pictures into one folder."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.checking import check_grid
from prewarp.demo.capture import MISSING_SHARE, NOISE_PX, OUTLIER_SHARE, SEED, Capture, capture_of
from prewarp.demo.figures import (
    Overlap,
    fit_figures,
    focus_figures,
    overlap_of,
    reach_figures,
    seam_errors,
    seam_figures,
)
from prewarp.demo.pictures import overview_sheet, seam_sheet
from prewarp.demo.truth import TracedOptics
from prewarp.demo.views import Looks
from prewarp.field import FieldSet, fit_grid
from prewarp.files import json_text, output_folder, write_bytes, write_text
from prewarp.grids import read_grid
from prewarp.module import DisplayModule, read_module
from prewarp.render.drawing import open_drawing
from prewarp.render.pictures import png_bytes
from prewarp.report.residuals import residual_picture
from prewarp.report.seam_map import SeamMap, seam_map_picture
from prewarp.resources import resource_path
from prewarp.seam import Seam, build_seam
from prewarp.trace import read_design

MODULES = ("coaxial", "folded")
_STEPS_PER_MODULE, _PICTURE_STEPS = 4, 3

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class BuiltModule:
    """One module after all steps but the pictures."""

    name: str
    module: DisplayModule
    capture: Capture
    fields: FieldSet
    seam: Seam
    overlap: Overlap
    errors: dict
    figures: dict


def run_demo(folder: Path, /, *, renderer: str = "auto", progress: Progress | None = None) -> dict:
    """Run the demo and write its folder.

    Parameters
    ----------
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    renderer : str
        As `prewarp.render.drawing.open_drawing` takes it.
    progress : callable, optional
        Called with (what was done, steps done, steps in all).

    Returns
    -------
    dict
        All figures, as in the folder's demo.json; units are in the keys.

    Raises
    ------
    InputFileError
        The folder holds something that this package did not write.
    RenderError
        The renderer asked for cannot be had.
    """
    total = _STEPS_PER_MODULE * len(MODULES) + _PICTURE_STEPS
    done = 0

    lock = Lock()

    def step(text: str) -> None:
        nonlocal done
        with lock:
            done += 1
            if progress is not None:
                progress(text, done, total)

    with (
        output_folder(Path(folder)) as working,
        open_drawing(renderer) as drawing,
        threadpool_limits(1, user_api="blas"),
    ):
        # The modules have nothing to do with each other; numpy leaves the interpreter free while it works.
        with ThreadPoolExecutor(len(MODULES)) as pool:
            built = list(pool.map(lambda name: _build(name, step), MODULES))
        looks = [Looks(drawing, one.fields, one.module.content, one.seam) for one in built]
        contents = [one.module.content for one in built]
        write_bytes(working / "overview.png", png_bytes(overview_sheet(looks, contents)))
        step("overview drawn")
        write_bytes(working / "seam.png", png_bytes(seam_sheet(looks, contents)))
        step("seam close-up drawn")
        for one in built:
            write_bytes(
                working / f"residuals_{one.name}.png",
                residual_picture(
                    one.fields,
                    one.capture.grid,
                    title=f"{one.name.capitalize()} module: how far the capture lies off the fit",
                ),
            )
        write_bytes(working / "reach_and_seam.png", _reach_picture(built))
        step("residuals, reach and seam drawn")
        result = {
            "capture": {
                "seed": SEED,
                "noise_px": NOISE_PX,
                "missing_share": MISSING_SHARE,
                "outlier_share": OUTLIER_SHARE,
            },
            "renderer": drawing.name,
            "modules": {one.name: one.figures for one in built},
        }
        write_text(working / "demo.json", json_text(result))
    return result


def _build(name: str, step: Callable[[str], None]) -> BuiltModule:
    module = read_module(resource_path("calib", f"{name}.module.toml"))
    design = read_design(resource_path("calib", f"{name}.design.toml"))
    capture = capture_of(read_grid(resource_path("calib", f"{name}.grid.npz")))
    checked = check_grid(capture.grid, module=module)
    step(
        f"{name}: {len(capture.grid)} samples checked, {checked.count('error')} errors, {checked.count('warning')} warnings"
    )
    fields = fit_grid(
        capture.grid, panel_size_px={channel.name: channel.panel.size_px for channel in module.channels}
    )
    step(f"{name}: fitted")
    seam = build_seam(fields, pupils_mm=module.eye_box.corners)
    overlap = overlap_of(seam)
    step(f"{name}: seam built")
    errors = seam_errors(TracedOptics(design, module), fields, overlap)
    figures = {
        "check": {kind: checked.count(kind) for kind in ("error", "warning", "remark")},
        "fit": fit_figures(fields, capture),
        "seam_error": seam_figures(errors),
        "reach": reach_figures(fields, seam),
        "focus": focus_figures(fields, overlap),
    }
    step(f"{name}: measured against the traced optics")
    return BuiltModule(name, module, capture, fields, seam, overlap, errors, figures)


def _reach_picture(built: list[BuiltModule]) -> bytes:
    maps = [
        SeamMap(
            f"{one.name.capitalize()} module: {one.figures['reach']['field_of_view']['joined']['horizontal_deg']:.0f} degrees joined, "
            f"{one.figures['reach']['overlap_at_eye_level_deg']:.0f} degrees of overlap",
            one.seam,
            one.overlap.axes_deg,
            one.overlap.spread_out(np.asarray(one.errors["moved_untracked"])),
        )
        for one in built
    ]
    return seam_map_picture(
        maps,
        title="What each channel shows, and how far their pictures come apart when the pupil moves 3 mm, not tracked",
        error_label="seam error, arcmin",
    )
