"""`run_bench`: the loop closed. A unit of a demo module, built with tolerances, is photographed by a
simulated bench; what comes of the photographs is judged by the trace of that unit.
"""

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.capture.camera import Camera, write_camera
from prewarp.capture.extract.whole import extract_plan
from prewarp.capture.marks import read_marks
from prewarp.capture.needed import FREE_POSES_NODES, traced_fit
from prewarp.capture.photograph.bench import Bench, Ghost
from prewarp.capture.photograph.folder import write_photographs
from prewarp.capture.photograph.optics import OpticsOfDesign
from prewarp.capture.photograph.taking import Taking
from prewarp.capture.plan import Plan, read_plan
from prewarp.capture.schedule import CaptureSettings
from prewarp.capture.targets import planned_targets, write_targets
from prewarp.checks import FloatArray
from prewarp.cores import one_blas_thread, usable_cores
from prewarp.demo.bench_build import build_from_grid
from prewarp.demo.bench_judged import judged
from prewarp.demo.bench_pictures import bench_pictures
from prewarp.demo.truth import TracedOptics
from prewarp.demo.unit import built_unit
from prewarp.field import FieldSet
from prewarp.files import json_text, write_bytes, write_text
from prewarp.folders import output_folder
from prewarp.grids import Grid, write_grid
from prewarp.module import DisplayModule, read_module
from prewarp.resources import resource_path
from prewarp.trace import Design, read_design

Progress = Callable[[str, int, int], None]
# Steps that are told besides photographs and poses: targets, design, check, fit, register, light, package,
# judge, draw.
STEPS = 9
# One photograph of each kind is kept to look at: all of them may be gigabytes.
_KEPT = ("whole", "code")
# Trace of the design: fewer rays than a fit from scratch would take leave 0.01 px in these.
_POSITIONS, _DIRECTIONS = (5, 5, 1), (21, 17)


@dataclass(frozen=True)
class BenchSettings:
    """A simulated bench. `positions` of the camera: below 25 the fit is a difference to the design's trace;
    `colours_at` so many of them are all colours shown; `dots` across and down each panel; `camera`; `faults`
    of stage, sensor and optics; `max_error_px` of the package.
    """

    positions: int = 8
    colours_at: int = 5
    dots: tuple[int, int] = (17, 17)
    # Two megapixels for 77 x 44 degrees: 2.75 arcmin a pixel.
    camera: Camera = Camera(
        width_px=2000,
        height_px=1000,
        focal_px=(1250.0, 1250.0),
        centre_px=(1003.2, 497.6),
        distortion=(-0.05, 0.01, 0.0, 0.0),
        aperture_mm=3.0,
        entrance_mm=0.0,
        black=64.0,
        full_scale=4095.0,
    )
    faults: Bench = field(
        default_factory=lambda: Bench(
            seed=20240611,
            blur_px=0.6,
            full_well_e=9000.0,
            read_noise_e=6.0,
            hot_pixels=40,
            stage_mm=0.1,
            turn_arcmin=1.0,
            ghosts=(Ghost(strength=0.01, shift_px=(60.0, 20.0), blur_px=1.0),),
        )
    )
    max_error_px: float = 0.5

    @property
    def needs_base(self) -> bool:
        """Whether so few positions show no more than the difference to a known map."""
        return self.positions < FREE_POSES_NODES**2

    @property
    def capture(self) -> CaptureSettings:
        """What is planned. Six shots of a turned camera would show where its entrance pupil lies; this one's
        file says it.
        """
        return CaptureSettings(
            positions=self.positions,
            colours_at=self.colours_at,
            exposures=(4,),
            light=False,
            turn_deg=0.0,
        )


def run_bench(
    folder: Path,
    /,
    *,
    name: str = "coaxial",
    settings: BenchSettings | None = None,
    renderer: str = "auto",
    progress: Progress | None = None,
    processes: int | None = None,
) -> dict[str, Any]:
    """Photograph a demo module, make a package from its photographs, judge it, and write all as one folder.

    Parameters
    ----------
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    name : str
        The demo module: "coaxial" or "folded".
    settings : BenchSettings, optional
        The bench; the demo's where left out.
    renderer : str
        As `prewarp.render.drawing.open_drawing` takes it.
    progress : callable, optional
        Called with (what was done, steps done, steps in all).
    processes : int, optional
        For photographs and extraction; one a core where left out. With more than 1 the calling program's main
        module must be one that can be imported (the usual rule of `multiprocessing`).

    Returns
    -------
    dict
        All figures, as in the folder's bench.json; units are in the keys.

    Raises
    ------
    InputFileError
        The folder holds something that this package did not write.
    """
    settings = settings or BenchSettings()
    module = read_module(resource_path("calib", f"{name}.module.toml"))
    design = read_design(resource_path("calib", f"{name}.design.toml"))
    unit = built_unit(design, settings.faults.seed)
    count = processes or usable_cores()
    targets = planned_targets(module, settings.capture, dots=settings.dots)
    total = STEPS + len(targets.plan) + len(targets.plan.poses)
    done = 0

    def step(text: str) -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(text, done, total)

    with output_folder(Path(folder)) as working, one_blas_thread():
        write_targets(targets, working / "targets")
        step("targets drawn")
        base = fit_of_design(design, module) if settings.needs_base else None
        step("design traced and fitted" if base else "no earlier fit is needed")
        taking = taking_of(working, settings, module, unit)
        grid, told = captured(taking, working, count, step, base=base)
        built = build_from_grid(grid, module, working / "package", settings.max_error_px, step, base=base)
        built.fields.save(working / f"{name}.fit.npz")
        found = judged(built, TracedOptics(unit, module), working / "package")
        step("judged by the trace")
        kept = _leave_few(working / "photographs", taking.plan)
        true_mm = _true_offsets(taking, built.poses.shots.names)
        pictures = bench_pictures(built, found, name, kept["whole"], true_mm, renderer)
        for file, data in pictures.items():
            write_bytes(working / file, data)
        step("drawn")
        result = {
            "module": name,
            "capture": {
                "positions": settings.positions,
                "difference_to_design": settings.needs_base,
                "photographs": len(taking.plan),
                "dots_each_way": list(settings.dots),
                "camera_px": list(settings.camera.size_px),
                "stage_mm": settings.faults.stage_mm,
                "turn_arcmin": settings.faults.turn_arcmin,
                "seed": settings.faults.seed,
            },
            "extract": told,
            **built.figures,
            "judged": found.as_dict(),
        }
        write_text(working / "bench.json", json_text(result))
    return result


def fit_of_design(design: Design, module: DisplayModule, /) -> FieldSet:
    """Return the fit of a design's trace, to which few positions show the difference."""
    return traced_fit(design, module, positions=_POSITIONS, directions=_DIRECTIONS, every_colour=True)


def taking_of(working: Path, settings: BenchSettings, module: DisplayModule, design: Design) -> Taking:
    """Return what a bench does with the plan and pictures in `working`; writes its camera beside them, with
    the distance that it is focused on.
    """
    taking = Taking(
        plan=read_plan(working / "targets" / "plan.csv"),
        marks=read_marks(working / "targets" / "marks.csv"),
        folder=working / "targets",
        module=module,
        optics=OpticsOfDesign(design, module),
        cameras={"": settings.camera},
        bench=settings.faults,
    )
    camera = replace(settings.camera, focus_dioptres=taking.focus_dioptres)
    write_camera(working / "camera.toml", camera)
    return replace(taking, cameras={"": camera})


def captured(
    taking: Taking,
    working: Path,
    processes: int,
    step: Callable[[str], None],
    /,
    *,
    base: FieldSet | None = None,
) -> tuple[Grid, dict[str, Any]]:
    """Return the grid of a bench's photographs, which are taken here, and what is told of them."""
    write_photographs(
        taking,
        working / "photographs",
        progress=lambda file, _: step(f"photographed {file}"),
        processes=processes,
    )
    done = extract_plan(
        working / "targets" / "plan.csv",
        working / "photographs",
        working / "camera.toml",
        working / "capture.extract",
        pictures=False,
        jobs=processes,
        progress=lambda text, _: step(f"extracted {text}"),
        base=base,
    )
    write_grid(working / "capture.grid.npz", done.grid)
    write_text(working / "extract.json", json_text(done.as_dict()))
    shutil.rmtree(working / "capture.extract")
    views = {(one.pose, one.channel, one.colour) for one in taking.plan.photographs if one.kind == "whole"}
    marks = sum(len(taking.marks.of(channel).mark) for _, channel, _ in views)
    return done.grid, {
        "rows": len(done.grid),
        "dots_shown": marks,
        "refused_views": len(done.refused),
        "sigma_px_median": None if done.grid.sigma_px is None else float(np.median(done.grid.sigma_px)),
        "ghost": done.report["ghost"],
        "aperture": done.aperture.words,
    }


def _true_offsets(taking: Taking, poses: Sequence[str]) -> FloatArray:
    """Return where the camera truly stood beside its label, (k, 3) mm."""
    first = {one.pose: one for one in reversed(taking.plan.photographs)}
    return np.array([taking.true_pose(first[pose])[0].place_mm - first[pose].pupil_mm for pose in poses])


def _leave_few(folder: Path, plan: Plan) -> dict[str, Path]:
    """Keep the tables of truth and the first photograph of each kind, and return where those are."""
    first = {one.kind: folder / one.file for one in reversed(plan.photographs)}
    kept = {kind: first[kind] for kind in _KEPT}
    for file in {folder / one.file for one in plan.photographs} - set(kept.values()):
        file.unlink()
    for part in sorted(folder.iterdir()):
        if part.is_dir() and not any(part.iterdir()):
            part.rmdir()
    return kept
