"""`run_demo`: both modules through every step, figures and pictures into one folder."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from multiprocessing.queues import SimpleQueue
from pathlib import Path
from threading import Lock, Thread

from threadpoolctl import threadpool_limits

from prewarp.demo.build import STEPS, BuiltModule, build_module
from prewarp.demo.capture import MISSING_SHARE, NOISE_PX, OUTLIER_SHARE, SEED
from prewarp.demo.drawn import PICTURES, Picture
from prewarp.files import json_text, output_folder, write_bytes, write_text
from prewarp.render.drawing import open_drawing

MODULES = ("coaxial", "folded")
ALL_STEPS = STEPS * len(MODULES) + len(PICTURES)

Progress = Callable[[str, int, int], None]
Tell = Callable[[str], None]


def run_demo(
    folder: Path,
    /,
    *,
    renderer: str = "auto",
    progress: Progress | None = None,
    processes: bool = False,
) -> dict:
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
        Build each module in a process of its own rather than a thread: quicker, but the calling program's main module must
        be one that can be imported (the usual rule of `multiprocessing`).

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
        # A renderer that cannot be had is said at once.
        with open_drawing(renderer) as drawing:
            drawn_with = drawing.name
        with _workers(step) if processes else _threads(step) as (pool, tell):
            # The modules have nothing to do with each other, nor have the pictures.
            built = list(pool.map(partial(_build, tell), MODULES))
            draw = pool.map if processes else map
            for picture, data in zip(PICTURES, draw(partial(_draw, built, renderer), PICTURES), strict=True):
                write_bytes(working / picture.file_name, data)
                step(f"{picture.file_name} drawn")
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
def _threads(step: Tell) -> Iterator[tuple[Executor, Tell]]:
    """Yield an executor of threads, and what its work tells steps to."""
    with ThreadPoolExecutor(len(MODULES)) as pool, threadpool_limits(1, user_api="blas"):
        yield pool, step


@contextmanager
def _workers(step: Tell) -> Iterator[tuple[Executor, Tell]]:
    """Yield an executor of new processes, and what its work tells steps to.

    Threads that allocate much memory wait for each other in the kernel.
    """
    fresh = get_context("spawn")
    told = fresh.SimpleQueue()

    def listen() -> None:
        for text in iter(told.get, None):
            step(text)

    listener = Thread(target=listen)
    listener.start()
    try:
        with ProcessPoolExecutor(
            len(MODULES), mp_context=fresh, initializer=_begin, initargs=(told,)
        ) as pool:
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
    _told.put(text)


def _build(tell: Tell, name: str) -> BuiltModule:
    return build_module(name, tell)


def _draw(built: Sequence[BuiltModule], renderer: str, picture: Picture) -> bytes:
    return picture.draw(built, renderer)
