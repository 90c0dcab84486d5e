"""Photographs a second, one core, 20 Mpx: from memory and from PNG, beside OpenCV's blob detector.

    python -m tests.bench.bench_extract [FOLDER FOR PHOTOGRAPHS]

One whole and 13 code frames of 33 x 33 dots, drawn by `tests.capture.discs` with noise that repeats every
2048 px. Prints the share of decoding, and what each finds in the same photograph.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import resource
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from prewarp.capture.extract.frames import Frame, PanelMarks, Sensor
from prewarp.capture.extract.view import measure_view
from prewarp.capture.image_files import read_photograph
from tests.capture.discs import Lens, Scene

SIZE = (5472, 3648)


class LargeScene(Scene):
    """A scene whose noise repeats, so that drawing takes seconds and not minutes."""

    def exposed(self, electrons):
        """Return a photograph (uint16 codes) of expected electrons."""
        tile = self.random.standard_normal((2048, 2048)).astype(np.float32)
        values = np.empty(electrons.shape, np.uint16)
        for row in range(0, electrons.shape[0], 2048):
            for column in range(0, electrons.shape[1], 2048):
                part = electrons[row : row + 2048, column : column + 2048].astype(np.float32)
                noise = tile[: part.shape[0], : part.shape[1]] * np.sqrt(part + self.read_e**2)
                codes = np.round((part + noise) / self.gain + self.black)
                values[row : row + 2048, column : column + 2048] = np.clip(codes, 0, self.full_scale)
        return values


def scene() -> Scene:
    """Return a 2560 px panel in a 20 Mpx photograph."""
    lens = Lens(panel_px=(2560.0, 2560.0), size_px=SIZE, scale=1.3, k=-0.05)
    return LargeScene(lens=lens, dots=(33, 33), radius_px=7.5, blur_px=0.9, quadrature=(8, 28))


def frames_of(photographs: list, read) -> list[Frame]:
    """Return frames, the first whole, that `read` gives."""
    return [
        Frame("whole" if k == 0 else "code", max(k - 1, 0), 20.0, f"{k}.png", lambda one=one: read(one))
        for k, one in enumerate(photographs)
    ]


def timed(frames: list[Frame], marks: PanelMarks, sensor: Sensor) -> tuple[float, int]:
    """Return seconds, the best of three, and dots found."""
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        view = measure_view(frames, marks, sensor)
        best = min(best, time.perf_counter() - start)
    assert view.measured is not None, view.refused
    return best, int(np.sum(view.measured.state == "found"))


def main(folder: Path) -> None:
    """Print one line each."""
    seen = scene()
    marks = PanelMarks(
        np.arange(len(seen.panel)), seen.panel, np.full(len(seen.panel), seen.radius_px), seen.words
    )
    sensor = Sensor(seen.black, seen.full_scale)
    photographs = seen.frames()
    seconds, found = timed(frames_of(photographs, lambda one: one), marks, sensor)
    print(f"from memory: {len(photographs) / seconds:.1f} a second, {found} of {len(marks)} dots", flush=True)

    paths = []
    for k, values in enumerate(photographs):
        paths.append(folder / f"{k}.png")
        Image.fromarray(values).save(paths[-1], compress_level=1)
    start = time.perf_counter()
    for path in paths:
        read_photograph(path)
    decoding = time.perf_counter() - start
    seconds, found = timed(frames_of(paths, read_photograph), marks, sensor)
    print(
        f"from PNG: {len(paths) / seconds:.1f} a second; decoding takes {decoding / len(paths):.3f} s a "
        "photograph, "
        f"{decoding / seconds:.0%}",
        flush=True,
    )
    print(
        f"most memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB, photographs "
        "included"
    )

    start = time.perf_counter()
    settings = cv2.SimpleBlobDetector_Params()
    settings.filterByColor, settings.blobColor = True, 255
    settings.minArea, settings.maxArea = 20.0, 2000.0
    small = np.clip(photographs[0] / 10.0, 0, 255).astype(np.uint8)
    blobs = cv2.SimpleBlobDetector_create(settings).detect(small)
    print(
        f"blob detector, one photograph: {time.perf_counter() - start:.2f} s, {len(blobs)} places, no names"
    )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as place:
            main(Path(place))
