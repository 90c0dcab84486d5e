"""A capture in a folder, drawn by `discs`: plan, marks, camera and photographs, with the truth."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from prewarp.capture.camera import Camera, write_camera
from prewarp.capture.codes import text_of_word
from prewarp.capture.marks import Marks, write_marks
from prewarp.capture.plan import Photograph, Plan, write_plan
from tests.capture.discs import Lens, Scene

SIZE = (640, 512)


def camera(**changes) -> Camera:
    """Return the camera of the folder."""
    known = {
        "width_px": SIZE[0],
        "height_px": SIZE[1],
        "focal_px": (700.0, 700.0),
        "centre_px": (320.0, 256.0),
    }
    return Camera(**{**known, "black": 100.0, "full_scale": 4095.0, **changes})


def save(values: np.ndarray, path: Path) -> None:
    """Write a photograph as a grey PNG or TIFF of its own depth."""
    # Noise hardly packs: a higher level takes ten times as long.
    Image.fromarray(values).save(path, compress_level=0)


@dataclass
class Folder:
    """Where things lie, and the scene of each pose and channel."""

    path: Path
    scenes: dict[tuple[str, str], Scene]

    @property
    def command(self) -> list[str]:
        """The command line that extracts it, but for its output."""
        return ["extract", str(self.path / "plan.csv"), "--photographs", str(self.path / "shots"),
                "--camera", str(self.path / "camera.toml"), "--jobs", "1"]  # fmt: skip


def row(
    order, pose, channel, kind, step, place=(0.0, 0.0, 0.0), colour="G", exposure=20.0, turn=(0.0, 0.0, 0.0)
):
    """Return a row of the plan."""
    name = f"{pose}-{channel or 'dark'}-{colour or 'none'}-{kind}-{step}-{exposure:g}.png"
    picture = "" if kind == "dark" else f"{channel}/{kind}{step}.png"
    return Photograph(order, pose, "bench", channel, colour, kind, step, picture,
                      *place, *turn, 4.0, exposure, name)  # fmt: skip


def write_capture(
    path: Path, poses: dict, *, channels=("inner",), whole=1, change=None, scene=None, **camera_keys
) -> Folder:
    """Write a capture.

    `poses`: place by name; `change(frames)` alters the photographs of a view before they are written;
    `scene(pose, channel, number)` makes what is seen.
    """
    (path / "shots").mkdir(parents=True)
    write_camera(path / "camera.toml", camera(**camera_keys))
    rows, scenes = [], {}
    for number, (pose, place) in enumerate(poses.items()):
        for channel in channels:
            one = scene(pose, channel, number) if scene else Scene(seed=number)
            scenes[pose, channel] = one
            frames = one.frames(whole)
            if change is not None:
                frames = change(pose, channel, frames)
            kinds = [("whole", k) for k in range(whole)] + [("code", k) for k in range(13)]
            for (kind, step), values in zip(kinds, frames, strict=True):
                rows.append(row(len(rows), pose, channel, kind, step, place))
                if values is not None:
                    save(values, path / "shots" / rows[-1].file)
    write_plan(Plan(tuple(rows)), path / "plan.csv")
    first = next(iter(poses))
    one, count = scenes[first, channels[0]], len(scenes[first, channels[0]].panel)
    write_marks(
        Marks(
            np.repeat(channels, count),
            np.tile(np.arange(count), len(channels)),
            np.tile(one.panel, (len(channels), 1)),
            np.tile(one.radii, len(channels)),
            tuple(text_of_word(word) for name in channels for word in scenes[first, name].words),
        ),
        path / "marks.csv",
    )
    return Folder(path, scenes)


def lens_at(number: int, **changes) -> Lens:
    """Return a lens whose picture moves a little from pose to pose."""
    return Lens(shift_px=(3.0 * number, -2.0 * number), **changes)
