"""A capture whole: plan, photographs and camera to a grid, a report, and pictures of what was found."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from prewarp.capture.camera import read_cameras
from prewarp.capture.extract.aperture import REMOVE, Aperture, treat_aperture
from prewarp.capture.extract.assemble import grid_of, report_of, write_pairs
from prewarp.capture.extract.consistency import contradictions, strange_views, without
from prewarp.capture.extract.notes import in_short, notes_on, unnamed_files
from prewarp.capture.extract.pose import KINDS_READ, SEAM, SINE
from prewarp.capture.extract.run import Step, pose_tasks, processes_for, run_poses
from prewarp.capture.falloff import falloff_words
from prewarp.capture.marks import read_marks
from prewarp.capture.plan import MARKS_NAME, SEAM_NAME, SUMMARY_NAME, plan_file_of, read_plan
from prewarp.capture.seam_marks import read_seam_marks
from prewarp.capture.sines import read_sines
from prewarp.errors import GridError, InputFileError
from prewarp.field import FieldSet
from prewarp.files import json_text, write_text
from prewarp.folders import claim_work_folder, list_work_folder
from prewarp.grids import Grid

REPORT_NAME, PAIRS_NAME = "report.json", "pairs.csv"
_SUFFIXES = (".csv.gz", ".csv", ".npz")


@dataclass(frozen=True, eq=False)
class Extraction:
    """What came of a capture: the grid, what is told of every pose, and what was done about the aperture,
    notes on the plan, and what was done about the camera's own fall of light.
    """

    grid: Grid
    report: dict[str, Any]
    aperture: Aperture
    notes: list[str]
    luminance: str

    @property
    def findings(self) -> list[str]:
        """All lines that are told, pose by pose."""
        return [line for pose in self.report["poses"].values() for line in pose["findings"]]

    @property
    def in_short(self) -> list[str]:
        """The findings for people: refusals first, what is alike once."""
        return in_short(self.findings)

    @property
    def refused(self) -> dict[str, dict[str, str]]:
        """Views that were refused whole, by pose, with the reason."""
        poses = self.report["poses"].items()
        return {name: pose["refused_views"] for name, pose in poses if pose["refused_views"]}

    def views(self) -> Iterator[tuple[str, str, dict[str, Any]]]:
        """Yield pose, view (channel and colour) and figures of every view."""
        for name, pose in self.report["poses"].items():
            for label, figures in pose["views"].items():
                yield name, label, figures

    def as_dict(self) -> dict[str, Any]:
        """Return the report for machines."""
        return {
            **self.report,
            "notes": self.notes,
            "luminance": self.luminance,
            "aperture": self.aperture.as_dict(),
            "refused_views": self.refused,
        }


def work_folder_of(output: Path, /) -> Path:
    """Return the folder beside a grid in which results of poses are kept.

    Raises
    ------
    GridError
        The grid's name ends in none of .csv, .csv.gz, .npz.
    """
    for suffix in _SUFFIXES:
        if output.name.lower().endswith(suffix) and len(output.name) > len(suffix):
            return output.with_name(f"{output.name[: -len(suffix)]}.extract")
    raise GridError(f"{output}: unknown suffix; expected .csv, .csv.gz or .npz. Rename it.", path=str(output))


def extract_plan(
    plan_path: Path,
    folder: Path,
    camera_path: Path,
    work: Path,
    /,
    *,
    marks_path: Path | None = None,
    aperture: str = REMOVE,
    pictures: bool = True,
    jobs: int | None = None,
    progress: Step | None = None,
    base: FieldSet | None = None,
    dense: int = 2,
) -> Extraction:
    """Extract all photographs of a plan; results, pictures and report.json are kept in `work`.

    `base`: an earlier fit by which the camera's aperture is taken out; the poses' own field where left out.
    `dense`: into how many parts photographs of sines cut the distance of dots; 1 only compares the two.

    Raises
    ------
    InputFileError, CaptureError
        Plan, marks, camera or folder cannot be used, or no pose gave a dot. Single photographs, views and
        poses that cannot be used are told of instead.
    """
    plan_file = plan_file_of(plan_path)
    plan = read_plan(plan_file)
    marks = read_marks(marks_path if marks_path is not None else plan_file.parent / MARKS_NAME)
    cameras = read_cameras(camera_path)
    if not folder.is_dir():
        raise InputFileError(f"{folder}: no such folder of photographs. Check the path.", path=str(folder))
    seams = {}
    if plan.select(kind=SEAM):
        seams = read_seam_marks(plan_file.parent / SEAM_NAME)
    sines = read_sines(plan_file.parent / SUMMARY_NAME) if dense and plan.select(kind=SINE) else {}
    tasks = pose_tasks(plan, marks, cameras, folder, seams, sines=sines, dense=dense)
    count = processes_for(tasks, jobs)
    claim_work_folder(work)
    results = run_poses(tasks, work, pictures=pictures, processes=count, progress=progress)
    strange = strange_views(results)
    results = [without(one, strange) for one in results]
    grid, treated = treat_aperture(grid_of(results, plan_file.name), tasks, results, aperture, base=base)
    done = Extraction(
        grid,
        report_of(results),
        treated,
        [
            *notes_on(plan, marks, KINDS_READ if sines else tuple(k for k in KINDS_READ if k != SINE)),
            *unnamed_files(plan, folder),
            *contradictions(results),
        ],
        falloff_words(task.camera.falloff for task in tasks),
    )
    if seams:
        write_pairs(results, work / PAIRS_NAME)
    write_text(work / REPORT_NAME, json_text(done.as_dict()))
    list_work_folder(work)
    return done
