"""All poses of a plan, on all cores: results are kept as they come, and those that are there are used
again.
"""

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, as_completed
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from prewarp.capture.camera import Camera, camera_named
from prewarp.capture.extract.drawing import draw_pose
from prewarp.capture.extract.pose import SEAM, SINE, PoseResult, PoseTask, extract_pose
from prewarp.capture.extract.stored import digest_of, load_result, save_result
from prewarp.capture.extract.working import working_bytes
from prewarp.capture.marks import Marks
from prewarp.capture.plan import Photograph, Plan
from prewarp.capture.seam_marks import SeamMarks
from prewarp.capture.sines import Sines
from prewarp.cores import wanted_processes
from prewarp.errors import CaptureError
from prewarp.files import file_stems
from prewarp.memory import processes_within_memory
from prewarp.processes import worker_pool

Step = Callable[[str, int], None]
MOST_WORKERS = 64
_FEWEST_FOR_POOL = 2
_NONE: Mapping[str, Sines] = MappingProxyType({})


@dataclass(frozen=True)
class Job:
    """A pose to be measured: what it needs, and where its result and pictures are kept."""

    task: PoseTask
    result: Path
    pictures: Path | None


def pose_tasks(
    plan: Plan,
    marks: Marks,
    cameras: dict[str, Camera],
    folder: Path,
    seams: Mapping[int, SeamMarks],
    /,
    *,
    sines: Mapping[str, Sines] = _NONE,
    dense: int = 0,
) -> tuple[PoseTask, ...]:
    """Return one task for each pose and camera of a plan, in the order of the plan.

    `sines` of each channel that has some, `dense`: as `PoseTask` has them.

    Raises
    ------
    CaptureError
        The camera file has no camera of that name, or the marks no dots of a channel that the plan shows.
    """
    groups: dict[tuple[str, str], list[Photograph]] = {}
    for row in plan.photographs:
        groups.setdefault((row.pose, row.camera), []).append(row)
    for channel in plan.channels:
        marks.of(channel)
    poses = [pose for pose, _ in groups]
    return tuple(
        PoseTask(
            pose if poses.count(pose) == 1 else f"{pose}-{camera}",
            pose,
            tuple(rows),
            marks,
            camera_named(cameras, camera),
            folder,
            seams if any(row.kind == SEAM for row in rows) else {},
            sines if any(row.kind == SINE for row in rows) else {},
            dense,
        )
        for (pose, camera), rows in groups.items()
    )


def run_poses(
    tasks: tuple[PoseTask, ...], work: Path, /, *, pictures: bool, processes: int, progress: Step | None
) -> list[PoseResult]:
    """Return the results of all poses, in their order.

    Parameters
    ----------
    work : path
        Folder for results and pictures; a result there with the digest of the same inputs is used again.
    pictures : bool
        Draw a picture of each view.
    processes : int
        How many poses are worked on side by side.
    """
    stems = file_stems(task.name for task in tasks)
    planned = [
        Job(task, work / "poses" / f"{stems[task.name]}.npz", work / "pictures" if pictures else None)
        for task in tasks
    ]
    (work / "poses").mkdir(parents=True, exist_ok=True)
    for done, (name, again) in enumerate(_finished(planned, processes), 1):
        if progress is not None:
            progress(f"pose {name}{' (kept from before)' if again else ''}", done)
    results = [load_result(one.result) for one in planned]
    lost = [one.task.name for one, result in zip(planned, results, strict=True) if result is None]
    if lost:
        raise CaptureError(f"{work}: the result of pose {lost[0]} is gone; something else writes there.")
    return [one for one in results if one is not None]


def processes_for(tasks: tuple[PoseTask, ...], jobs: int | None, /) -> int:
    """Return how many processes extract poses: `jobs`, else as many as there are cores and memory for.

    Raises
    ------
    PrewarpError
        They need more memory than there is.
    """
    size = max((task.camera.size_px for task in tasks), key=lambda one: one[0] * one[1])
    return processes_within_memory(
        jobs,
        min(wanted_processes(len(tasks), jobs), MOST_WORKERS),
        each_bytes=working_bytes(tasks),
        what=f"extracting photographs of {size[0]} x {size[1]} px",
        mend="End other programs, or plan fewer or smaller dots, or photographs of a smaller camera.",
    )


def _finished(planned: list[Job], count: int) -> Iterator[tuple[str, bool]]:
    """Yield the name of each pose that is done, and whether its result was there before."""
    if count < _FEWEST_FOR_POOL:
        for job in planned:
            yield work_on(job)
        return
    with worker_pool(count) as pool:
        waiting: list[Future[tuple[str, bool]]] = [pool.submit(work_on, job) for job in planned]
        for one in as_completed(waiting):
            yield one.result()


def work_on(job: Job, /) -> tuple[str, bool]:
    """Measure one pose unless its result is there; return its name, and whether it was."""
    from threadpoolctl import threadpool_limits

    digest = digest_of(job.task)
    if load_result(job.result, digest) is not None:
        return job.task.name, True
    with threadpool_limits(limits=1):
        result = extract_pose(job.task)
        if job.pictures is not None:
            draw_pose(job.task, result, job.pictures)
    save_result(job.result, result, digest)
    return job.task.name, False
