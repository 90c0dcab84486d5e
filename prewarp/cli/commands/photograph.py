"""`prewarp photograph`."""

from pathlib import Path

import click

from prewarp.capture.camera import read_cameras
from prewarp.capture.marks import read_marks
from prewarp.capture.photograph.bench import Bench, read_bench
from prewarp.capture.photograph.folder import write_photographs
from prewarp.capture.photograph.optics import OpticsOfDesign, OpticsOfFit
from prewarp.capture.photograph.taking import Taking
from prewarp.capture.photograph.working import working_bytes
from prewarp.capture.plan import MARKS_NAME, plan_file_of, read_plan
from prewarp.cli.arguments import FILE, module_option, output_option
from prewarp.cli.talk import Talk, talking
from prewarp.cores import wanted_processes
from prewarp.errors import CaptureError
from prewarp.field import FieldSet
from prewarp.folders import require_output_folder
from prewarp.memory import processes_within_memory
from prewarp.module import read_module
from prewarp.trace import read_design


@click.command()
@click.argument("plan_path", metavar="PLAN", type=FILE)
@click.option("--design", "design_path", type=FILE, help="Optical design (TOML) that the camera looks into.")
@click.option(
    "--fit",
    "fit_path",
    type=FILE,
    help="Fit (NPZ) to look through instead of a design; its panels are evenly lit.",
)
@module_option(required=True)
@click.option("--camera", "camera_path", type=FILE, required=True, help="Camera file (TOML or JSON).")
@click.option("--bench", "bench_path", type=FILE, help="Bench file (TOML): the faults of the bench.")
@click.option(
    "--seed", type=click.IntRange(0, 2**31), help="Seed of all that is random; replaces the bench file's."
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    help="How many poses to take at a time [default: one per core, fewer where memory is short].",
)
@output_option("Folder to write: the photographs, truth.csv and truth_poses.csv.")
@talking
def photograph(
    talk: Talk,
    plan_path: Path,
    design_path: Path | None,
    fit_path: Path | None,
    module_path: Path,
    camera_path: Path,
    bench_path: Path | None,
    seed: int | None,
    jobs: int | None,
    output: Path,
) -> None:
    """Take the photographs of a plan with a simulated camera, and write the truth about them.

    PLAN is the plan.csv of a folder that 'prewarp targets' wrote, or that folder, with marks.csv and the
    pictures beside the plan.
    The optics are a traced design or a fit. The bench file sets blur, coma, focus, vignetting, ghosts, stray
    light, dust, hot pixels, noise, drift, persistence, and errors of stage and pose; README names its keys.

    truth.csv: file, mark, x_px, y_px (where the mark's panel point is seen, mean over the aperture), covered
    (fraction of its light that is hidden), light (that arrives, in full scales times px), centroid_x_px,
    centroid_y_px (of the dot's light). truth_poses.csv: where the camera truly was.

    \b
    Example:
      prewarp photograph targets/plan.csv --design visor.design.toml --module visor.toml \\
        --camera camera.toml --bench bench.toml -o photographs
    """
    if (design_path is None) == (fit_path is None):
        raise CaptureError("expected either --design or --fit: through which optics the camera looks.")
    require_output_folder(output)
    module = read_module(module_path)
    optics = (
        OpticsOfDesign(read_design(design_path), module)
        if design_path is not None
        else OpticsOfFit(FieldSet.load(fit_path or Path()))
    )
    bench = Bench() if bench_path is None else read_bench(bench_path)
    if seed is not None:
        bench = bench.seeded(seed)
    plan_file = plan_file_of(plan_path)
    plan = read_plan(plan_file)
    taking = Taking(
        plan=plan,
        marks=read_marks(plan_file.parent / MARKS_NAME),
        folder=plan_file.parent,
        module=module,
        optics=optics,
        cameras=read_cameras(camera_path),
        bench=bench,
    )
    taking.require()
    count = len(plan)
    processes = processes_within_memory(
        jobs,
        wanted_processes(len(plan.poses), jobs),
        each_bytes=working_bytes(taking),
        what=f"taking photographs of {_size(taking)}",
        mend="End other programs, or take them with a smaller camera (--camera) or of smaller panels.",
    )
    with talk.progress(f"taking {count} photographs", total=count) as step:
        done = write_photographs(taking, output, progress=step, processes=processes)
    talk.text(f"{output}: {done.photographs} photographs, truth of {done.dots} dots.")
    talk.json({"photographs": done.photographs, "dots": done.dots, "focus_dioptres": taking.focus_dioptres})


def _size(taking: Taking) -> str:
    """Return the size of the largest camera and panel, for people."""
    camera = max((one.size_px for one in taking.cameras.values()), key=lambda size: size[0] * size[1])
    panel = max((one.panel.size_px for one in taking.module.channels), key=lambda size: size[0] * size[1])
    return f"{camera[0]} x {camera[1]} px of panels of {panel[0]} x {panel[1]} px"
