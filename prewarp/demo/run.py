"""`run_demo`: both modules through every step, figures and pictures into one folder."""

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from multiprocessing import get_context
from multiprocessing.queues import SimpleQueue
from pathlib import Path
from threading import Lock, Thread
from typing import Any

from threadpoolctl import threadpool_limits

from prewarp.cores import one_blas_thread
from prewarp.demo.build import STEPS, BuiltModule, build_module
from prewarp.demo.capture import MISSING_SHARE, NOISE_PX, OUTLIER_SHARE, SEED
from prewarp.demo.drawn import FIGURES, DrawnModule, close_up, draw_module, overview
from prewarp.files import json_text, write_bytes, write_text
from prewarp.folders import output_folder
from prewarp.processes import worker_pool
from prewarp.render.drawing import CpuDrawing, open_drawing

MODULES = ("coaxial", "folded")
ALL_STEPS = (STEPS + 1) * len(MODULES) + 1

Progress = Callable[[str, int, int], None]
Tell = Callable[[str], None]


def run_demo(
    folder: Path,
    /,
    *,
    renderer: str = "auto",
    progress: Progress | None = None,
    processes: bool = False,
) -> dict[str, Any]:
    """Run the demo and write its folder.

    Parameters
    ----------
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    renderer : str
        As `prewarp.render.drawing.open_drawing` takes it.
    progress : callable, optional
        Called with (what was done, steps done, steps in all).
    processes : bool
        Build and draw in as many processes as there are modules rather than in this one: quicker, but the
        calling program's main module must be one that can be imported (the usual rule of `multiprocessing`).

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
    done = 0
    lock = Lock()

    def step(text: str) -> None:
        nonlocal done
        with lock:
            done += 1
            if progress is not None:
                progress(text, done, ALL_STEPS)

    with output_folder(Path(folder)) as working:
        # A renderer that cannot be had is said at once; where the CPU stands in, nobody looks for a GPU
        # again.
        with open_drawing(renderer) as drawing:
            drawn_with, stands_in = drawing.name, isinstance(drawing, CpuDrawing)
        chosen = "none" if stands_in else renderer
        with _workers(step) if processes else _in_turn(step) as (pool, tell):
            # The modules have nothing to do with each other; each is drawn as soon as it is built.
            building = {pool.submit(build_module, name, tell): name for name in MODULES}
            made: dict[str, tuple[BuiltModule, Future[DrawnModule]]] = {}
            for future in as_completed(building):
                one = future.result()
                made[building[future]] = (one, pool.submit(draw_module, one, chosen))
            built = [made[name][0] for name in MODULES]
            jobs = {name: pool.submit(draw, built) for name, draw in FIGURES.items()}
            drawn = []
            for name in MODULES:
                drawn.append(made[name][1].result())
                step(f"{name}: drawn")
            field_x_deg = built[0].module.content.field_x_deg
            jobs["overview.png"] = pool.submit(overview, field_x_deg, [each.overview for each in drawn])
            jobs["seam.png"] = pool.submit(close_up, [each.seam for each in drawn])
            files = {name: job.result() for name, job in jobs.items()}
            files |= {
                f"residuals_{name}.png": each.residuals for name, each in zip(MODULES, drawn, strict=True)
            }
            step("both modules drawn side by side")
        for name, data in files.items():
            write_bytes(working / name, data)
        result = {
            "capture": {
                "seed": SEED,
                "noise_px": NOISE_PX,
                "missing_share": MISSING_SHARE,
                "outlier_share": OUTLIER_SHARE,
            },
            "renderer": drawn_with,
            "modules": {one.name: one.figures for one in built},
        }
        write_text(working / "demo.json", json_text(result))
    return result


@contextmanager
def _in_turn(step: Tell) -> Iterator[tuple[Executor, Tell]]:
    """Yield an executor that does one thing after the other in this process, and what its work tells steps
    to.
    """
    with ThreadPoolExecutor(1) as pool, one_blas_thread():
        yield pool, step


@contextmanager
def _workers(step: Tell) -> Iterator[tuple[Executor, Tell]]:
    """Yield an executor of new processes, and what its work tells steps to.

    Threads of one process wait for each other: for the interpreter's lock, and in the kernel where they
    allocate much memory.
    """
    fresh = get_context("spawn")
    told = fresh.SimpleQueue()

    def listen() -> None:
        for text in iter(told.get, None):
            step(text)

    listener = Thread(target=listen)
    listener.start()
    try:
        with worker_pool(len(MODULES), begin=_begin, given=(told,)) as pool:
            yield pool, _tell_parent
    finally:
        told.put(None)
        listener.join()


# Where a process of `_workers` tells its steps.
_told: "SimpleQueue[str | None] | None" = None


def _begin(told: "SimpleQueue[str | None]") -> None:
    global _told
    _told = told
    threadpool_limits(1, user_api="blas")


def _tell_parent(text: str) -> None:
    if _told is not None:
        _told.put(text)
