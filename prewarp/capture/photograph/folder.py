"""A plan's photographs as files of one folder, and their truth beside them."""

import io
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import as_completed
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
from PIL import Image
from threadpoolctl import threadpool_limits

from prewarp.capture.panel_png import png_file
from prewarp.capture.paths import path_inside
from prewarp.capture.photograph.sensor import Values
from prewarp.capture.photograph.taking import Taking, Truth
from prewarp.capture.tables import write_table
from prewarp.errors import CaptureError
from prewarp.files import write_bytes
from prewarp.folders import output_folder
from prewarp.processes import worker_pool

TRUTH, POSES = "truth.csv", "truth_poses.csv"
# Beside what the truth of a dot is: where its light has its centroid.
TRUTH_COLUMNS = ("file", "mark", "x_px", "y_px", "covered", "light", "centroid_x_px", "centroid_y_px")
POSE_COLUMNS = (
    *("file", "eye_x_mm", "eye_y_mm", "eye_z_mm", "yaw_deg", "pitch_deg", "roll_deg"),
    *("drift_x_px", "drift_y_px"),
)
_SUFFIXES = {".png": "PNG", ".tif": "TIFF", ".tiff": "TIFF"}
Step = Callable[[str, int], None]


@dataclass(frozen=True)
class Photographed:
    """What was written: `photographs`, and `dots` whose truth is stated."""

    photographs: int
    dots: int


def write_photographs(
    taking: Taking, folder: Path, /, *, progress: Step | None = None, processes: int = 1
) -> Photographed:
    """Take a plan's photographs and write them with their truth, whole or not at all.

    Parameters
    ----------
    taking : Taking
        Plan, optics, cameras, bench.
    folder : Path
        Folder to make; one that this package wrote before is replaced.
    progress : callable, optional
        Called with (file, photographs done).
    processes : int
        How many poses are taken side by side. With more than 1 the calling program's main module must be one
        that can be imported (the usual rule of `multiprocessing`).

    Raises
    ------
    CaptureError
        The plan names cameras, channels, colours or pictures that are not there, or a file that is neither
        PNG nor TIFF.
    InputFileError
        The folder holds what this package did not write.
    """
    taking.require()
    photographs = taking.plan.photographs
    for row, one in zip(taking.plan.row, photographs, strict=True):
        if PurePosixPath(one.file).suffix.lower() not in _SUFFIXES:
            raise CaptureError(
                f"{taking.plan.source}, row {row}: file {one.file}; expected .png, .tif or .tiff.",
                path=taking.plan.source,
                row=row,
            )
    truths: dict[int, Truth] = {}
    with output_folder(folder) as working, threadpool_limits(1):
        for done, (index, truth) in enumerate(_taken(taking, working, processes), 1):
            truths[index] = truth
            if progress is not None:
                progress(photographs[index].file, done)
        rows: list[list[object]] = []
        poses: list[list[object]] = []
        for index, one in enumerate(photographs):
            truth = truths[index]
            rows += _truth_rows(one.file, truth)
            numbers = np.concatenate([truth.place_mm, truth.turn_deg, truth.drift_px])
            poses.append([one.file, *numbers.tolist()])
        write_table(working / TRUTH, TRUTH_COLUMNS, rows)
        write_table(working / POSES, POSE_COLUMNS, poses)
    return Photographed(len(photographs), len(rows))


def photograph_bytes(values: Values, suffix: str, /) -> bytes:
    """Return a grey picture (height, width) of 8 or 16 bits as PNG or TIFF: same values, same bytes."""
    if _SUFFIXES[suffix.lower()] == "PNG":
        return grey_png(values)
    stream = io.BytesIO()
    Image.fromarray(values).save(stream, format="TIFF")
    return stream.getvalue()


def grey_png(values: Values, /) -> bytes:
    """Return a grey picture (height, width) as PNG, its rows as they are, packed by the frequency of bytes.

    Noise has no repeats to look for, and a picture of dots no slopes to foretell: Pillow, which tries every
    filter for every row, takes two and a half times as long and saves nothing.
    """
    height, width = values.shape
    rows = values.astype(values.dtype.newbyteorder(">")).view(np.uint8).reshape(height, -1)
    filtered = np.zeros((height, 1 + rows.shape[1]), dtype=np.uint8)
    filtered[:, 1:] = rows
    packer = zlib.compressobj(1, zlib.DEFLATED, zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, zlib.Z_HUFFMAN_ONLY)
    packed = packer.compress(filtered.data) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, 8 * values.dtype.itemsize, 0, 0, 0, 0)
    return png_file(head, (b"IDAT", packed))


def _taken(taking: Taking, folder: Path, processes: int) -> Iterator[tuple[int, Truth]]:
    """Yield index and truth of each photograph as it is written."""
    groups = list(_by_pose(taking).values())
    if processes <= 1 or len(groups) == 1:
        for group in groups:
            for index in group:
                yield index, _write_one(taking, folder, index)
        return
    with worker_pool(processes, begin=_begin, given=(taking, folder)) as pool:
        jobs = [pool.submit(_write_group, group) for group in groups]
        for job in as_completed(jobs):
            yield from job.result()


def _by_pose(taking: Taking) -> dict[str, list[int]]:
    groups: dict[str, list[int]] = {}
    for index, one in enumerate(taking.plan.photographs):
        groups.setdefault(one.pose, []).append(index)
    return groups


# What a process of the pool works on: what it has read and traced for one pose serves the next.
_work: tuple[Taking, Path] | None = None


def _begin(taking: Taking, folder: Path) -> None:
    global _work
    _work = taking, folder
    threadpool_limits(1)


def _write_group(group: Sequence[int]) -> list[tuple[int, Truth]]:
    assert _work is not None  # the pool began with it
    return [(index, _write_one(*_work, index)) for index in group]


def _write_one(taking: Taking, folder: Path, index: int) -> Truth:
    values, truth = taking.take(index)
    name = taking.plan.photographs[index].file
    write_bytes(path_inside(folder, name), photograph_bytes(values, PurePosixPath(name).suffix))
    return truth


def _truth_rows(file: str, truth: Truth) -> list[list[object]]:
    if truth.dots is None:
        return []
    dots = truth.dots
    # A dot of which nothing is seen has no centroid: its own place stands for it.
    centroid = np.where(np.isfinite(dots.centroid), dots.centroid, dots.pixel)
    table = np.column_stack([dots.pixel, dots.covered, dots.light, centroid])
    return [[file, mark, *row] for mark, row in zip(truth.mark.tolist(), table.tolist(), strict=True)]
