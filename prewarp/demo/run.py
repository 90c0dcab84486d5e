"""`run_demo`: both modules through every step, figures and pictures into one folder."""

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from multiprocessing.queues import SimpleQueue
from pathlib import Path
from threading import Lock, Thread

from threadpoolctl import threadpool_limits

from prewarp.demo.build import STEPS, BuiltModule, build_module
from prewarp.demo.capture import MISSING_SHARE, NOISE_PX, OUTLIER_SHARE, SEED
from prewarp.demo.pictures import overview_sheet, seam_sheet
from prewarp.demo.views import Looks
from prewarp.files import json_text, output_folder, write_bytes, write_text
from prewarp.render.drawing import open_drawing
from prewarp.render.pictures import png_bytes
from prewarp.report.budget import BudgetItem, budget_picture
from prewarp.report.focus import FocusItem, focus_picture
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_picture
from prewarp.report.residuals import residual_picture
from prewarp.report.seam_map import SeamMap, seam_map_picture

MODULES = ("coaxial", "folded")
ALL_STEPS = STEPS * len(MODULES) + 4

Progress = Callable[[str, int, int], None]


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

    with (
        output_folder(Path(folder)) as working,
        open_drawing(renderer) as drawing,
        threadpool_limits(1, user_api="blas"),
    ):
        # The modules have nothing to do with each other.
        built = _in_processes(step) if processes else _in_threads(step)
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
                    title=f"{one.title}: how far the capture lies off the fit",
                ),
            )
        write_bytes(working / "reach_and_seam.png", _reach_picture(built))
        step("residuals, reach and seam drawn")
        write_bytes(working / "light.png", _light_picture(built))
        write_bytes(working / "focus.png", _focus_picture(built))
        write_bytes(working / "tracker.png", _tracker_picture(built))
        step("light, focus and tracker budget drawn")
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


def _in_threads(step: Callable[[str], None]) -> list[BuiltModule]:
    with ThreadPoolExecutor(len(MODULES)) as pool:
        return list(pool.map(lambda name: build_module(name, step), MODULES))


def _in_processes(step: Callable[[str], None]) -> list[BuiltModule]:
    """Build in new processes: threads that allocate much memory wait for each other in the kernel."""
    fresh = get_context("spawn")
    told = fresh.SimpleQueue()

    def listen() -> None:
        for text in iter(told.get, None):
            step(text)

    listener = Thread(target=listen)
    listener.start()
    try:
        with ProcessPoolExecutor(len(MODULES), mp_context=fresh, initializer=_keep, initargs=(told,)) as pool:
            return list(pool.map(_build_and_tell, MODULES))
    finally:
        told.put(None)
        listener.join()


# Where a process of `_in_processes` tells its steps.
_told: "SimpleQueue[str | None] | None" = None


def _keep(told: "SimpleQueue[str | None]") -> None:
    global _told
    _told = told


def _build_and_tell(name: str) -> BuiltModule:
    with threadpool_limits(1, user_api="blas"):
        return build_module(name, _told.put)


def _reach_picture(built: list[BuiltModule]) -> bytes:
    maps = [
        SeamMap(
            f"{one.title}: {one.figures['reach']['field_of_view']['joined']['horizontal_deg']:.0f} degrees joined, "
            f"{one.figures['reach']['overlap_at_eye_level_deg']:.0f} degrees of overlap",
            one.seam,
            one.overlap.axes_deg,
            one.overlap.spread_out(one.errors["moved_untracked"]),
        )
        for one in built
    ]
    return seam_map_picture(
        maps,
        title="What each channel shows, and how far their pictures come apart when the pupil moves 3 mm, not tracked",
        error_label="seam error, arcmin",
    )


def _light_picture(built: list[BuiltModule]) -> bytes:
    pairs = [
        ProfilePair(one.title, one.light.before[one.light.worst], one.light.after[one.light.worst])
        for one in built
    ]
    return luminance_profile_picture(
        pairs, title="Light across the seam, even content, pupil 3 mm to the right and tracked"
    )


def _focus_picture(built: list[BuiltModule]) -> bytes:
    items = [FocusItem(one.title, one.fields, one.overlap.channels, (one.overlap,)) for one in built]
    return focus_picture(items, title="Where the images lie, and the focus step across the seam")


def _tracker_picture(built: list[BuiltModule]) -> bytes:
    items = [BudgetItem(one.title, one.budget) for one in built]
    return budget_picture(items, title="How good the eye tracker must be")
