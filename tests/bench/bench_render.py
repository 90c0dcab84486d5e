"""How long the CPU pre-warp of a 2560 x 2560 RGB8 picture takes, beside cv2.remap, scipy and a copy.

Run it as a test (`python -m pytest tests/bench/bench_render.py -s`) or by itself (`python -m
tests.bench.bench_render`). All figures come from one run on one thread, best of three; ratios travel between
machines, seconds do not.
"""

import time

import numpy as np
from scipy.ndimage import map_coordinates

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.mesh import panel_mesh
from prewarp.render.cpu import content_planes, panel_picture
from prewarp.render.sampling import sampling_plane
from tests.closed_form import PlaneChannel, plane_set
from tests.render.scenes import hard_scene
from tests.support import require_module

SIZE = 2560


def best_of(work, repeats=3):
    """Return the shortest time of several runs, seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def measure():
    """Return seconds by name."""
    cv2 = require_module("cv2")
    cv2.setNumThreads(1)
    fields = plane_set(
        PlaneChannel("one", panel_size_px=(SIZE, SIZE), half_width=0.5, division=0.06, turn_deg=1.0)
    )
    content = ContentProjection("flat", (SIZE, SIZE), 56.0)
    image = hard_scene(SIZE, SIZE)
    pupil = np.array([1.0, -1.0, 0.0])
    planes = content_planes(image)
    meshes = [panel_mesh(fields.field("one", colour), content, tracked_pupil_mm=pupil) for colour in "RGB"]
    # The same map as full arrays, for those who sample from arrays.
    centres = np.arange(SIZE) + 0.5
    full = [
        mesh.spline().on_lattice(centres, centres)[..., :2].astype(np.float32) - np.float32(0.5)
        for mesh in meshes
    ]
    linear = [np.ascontiguousarray(image[..., plane], dtype=np.float32) / 255.0 for plane in range(3)]
    ours = [sampling_plane(plane, border="black") for plane in linear]

    def sample_ours():
        for plane, place in zip(ours, full, strict=True):
            for start in range(0, SIZE, 16):
                rows = place[start : start + 16].reshape(-1, 2)
                plane.sample(rows[:, 0], rows[:, 1])

    def sample_scipy():
        for plane, place in zip(linear, full, strict=True):
            map_coordinates(plane, [place[..., 1], place[..., 0]], order=1, mode="grid-constant")

    def sample_opencv():
        for plane, place in zip(linear, full, strict=True):
            cv2.remap(plane, place, None, cv2.INTER_LINEAR)

    return {
        "copy of the bytes": best_of(image.copy),
        "cv2.remap, three float planes": best_of(sample_opencv),
        "our sampling, three float planes": best_of(sample_ours),
        "scipy map_coordinates, three float planes": best_of(sample_scipy, 1),
        "decoding the content once": best_of(lambda: content_planes(image)),
        "three meshes for a pupil": best_of(
            lambda: [panel_mesh(fields.field("one", c), content, tracked_pupil_mm=pupil) for c in "RGB"]
        ),
        "whole panel pass (map, sampling, weight, encoding)": best_of(
            lambda: panel_picture(planes, meshes, transfer=TransferFunction())
        ),
        "whole panel pass, two threads": best_of(
            lambda: panel_picture(planes, meshes, transfer=TransferFunction(), threads=2)
        ),
    }


def test_panel_pass_is_not_slower_than_scipy_sampling_alone():
    seconds = measure()
    report(seconds)
    whole = seconds["whole panel pass (map, sampling, weight, encoding)"]
    with_decoding = whole + seconds["decoding the content once"] + seconds["three meshes for a pupil"]
    assert with_decoding <= seconds["scipy map_coordinates, three float planes"]


def report(seconds):
    """Print seconds and ratios."""
    remap = seconds["cv2.remap, three float planes"]
    print(f"\n{SIZE} x {SIZE} RGB8, one thread unless said otherwise")
    for name, value in seconds.items():
        print(f"{name:52s} {value * 1000:9.1f} ms   {value / remap:8.2f} x cv2.remap")


if __name__ == "__main__":
    report(measure())
