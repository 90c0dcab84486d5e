"""Films: frames of an eye path, written as PNG files in a folder, an animated PNG or a GIF."""

import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from prewarp.checks import require_range
from prewarp.errors import InputFileError, RenderError
from prewarp.files import write_bytes
from prewarp.folders import output_folder
from prewarp.preview.dressing import Dressing
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.gauges import SeamReading
from prewarp.preview.pages import number_rows, strip_height, strip_page
from prewarp.preview.painting import Painter
from prewarp.preview.state import State
from prewarp.preview.subject import Subject
from prewarp.render.pictures import png_bytes

MOST_FRAMES = 20_000
# Pixels of all frames of an animation: they are held in memory together.
MOST_ANIMATION_PX = 1 << 28

# Endings of one file, and of what is not written: names that end so are no folders by intention.
ANIMATIONS = (".png", ".gif")
_OTHERS = re.compile(
    r"\.(mp4|m4v|mov|qt|avi|mkv|webm|wmv|asf|flv|f4v|mpe?g|m[12]v|m?ts|m2ts|vob|og[gv]|3g[p2]|mxf|divx|av1"
    r"|h?26[45]|hevc|ivf|y4m|apng|webp|avif|jpe?g|tiff?|bmp)"
)


@dataclass(frozen=True)
class Film:
    """`frames` pictures, `fps` a second, beginning with `state`, which says what is laid over."""

    state: State
    size_px: tuple[int, int]
    frames: int
    fps: float

    @property
    def strip_px(self) -> int:
        """Height of the strip of numbers below the picture; 0 without one, or where it would take half."""
        if not self.state.numbers:
            return 0
        nowhere = np.zeros(3)
        rows = number_rows(self.state, nowhere, nowhere, SeamReading(np.nan, np.nan), np.nan, np.nan)
        height = strip_height(len(rows), self.size_px[0], scale=self.state.text_size)
        return height if 2 * height < self.size_px[1] else 0

    @property
    def picture_px(self) -> tuple[int, int]:
        """Width and height of what a painter is to draw: the frame but for the strip."""
        return self.size_px[0], self.size_px[1] - self.strip_px

    def __post_init__(self) -> None:
        require_range(self.frames, "frames", 1, MOST_FRAMES, error=RenderError)
        require_range(self.fps, "fps", 0.1, 240.0, error=RenderError)
        for name, length in zip(("width", "height"), self.size_px, strict=True):
            require_range(length, name, 64, 8192, unit="px", error=RenderError)


def film_frames(
    film: Film, painter: Painter, subject: Subject, driver: EyeDriver, /
) -> Iterator[NDArray[np.uint8]]:
    """Yield the frames one by one, (height, width, 3) 8-bit sRGB; the same film gives the same frames.

    `painter` draws `film.picture_px`; the numbers stand below, so that they hide nothing.
    """
    dressing = Dressing(subject)
    start, size, scale = film.state.time_s, film.picture_px, film.state.text_size
    shown = replace(film.state, numbers=False, error_end_arcmin=dressing.error_end_arcmin(film.state))
    for number in range(film.frames):
        state = replace(shown, time_s=start + number / film.fps)
        pupil, tracked = driver.eye(state, state.time_s)
        pages = dressing.pages(state, pupil, tracked, state.time_s, size, scale=scale)
        frame = painter.paint(state, pupil, tracked, pages)
        if film.strip_px:
            rows = dressing.readings(state, pupil, tracked, state.time_s, np.nan)
            strip = strip_page(rows, film.size_px, height=film.strip_px, scale=scale)
            frame = np.concatenate([frame, strip.pixels[..., :3]])
        yield frame


def require_film_name(path: Path, /) -> None:
    """Raise `InputFileError` for a name whose ending asks for a kind of file that is not written."""
    kind = path.suffix.lower()
    if _OTHERS.fullmatch(kind):
        raise InputFileError(
            f"{path}: films are written as a folder of PNG files, an animated PNG (.png) or a GIF (.gif), "
            f"not as '{kind}'. Name {path.with_suffix('.png').name} or {path.with_suffix('.gif').name}; or "
            f"name a folder, such as {path.stem}, and join its frames with an encoder.",
            path=str(path),
        )


def write_film(
    path: Path,
    frames: Iterable[NDArray[np.uint8]],
    film: Film,
    /,
    *,
    progress: Callable[[int], None] = lambda n: None,
) -> int:
    """Write frames and return how many: a folder of PNG files, or one file if the name ends in .png or .gif.

    Raises
    ------
    RenderError
        An animation would be too large for one file.
    InputFileError
        The folder holds something that prewarp did not write, or the name asks for another kind of file.
    """
    require_film_name(path)
    kind = path.suffix.lower()
    counted = _counted(frames, progress)
    if kind in ANIMATIONS:
        if film.frames * film.size_px[0] * film.size_px[1] > MOST_ANIMATION_PX:
            raise RenderError(
                f"{film.frames} frames of {film.size_px[0]} x {film.size_px[1]} px are too many for one "
                "file. Ask for fewer or smaller ones (--seconds, --fps, --size), or name a folder."
            )
        write_bytes(path, animation_bytes(counted, film.fps, kind=kind))
        return film.frames
    with output_folder(path) as folder:
        for number, frame in enumerate(counted):
            write_bytes(folder / f"frame_{number:05d}.png", png_bytes(frame))
    return film.frames


def animation_bytes(frames: Iterable[NDArray[np.uint8]], fps: float, /, *, kind: str) -> bytes:
    """Return an endless animated PNG (".png") or GIF (".gif"); GIF takes whole hundredths of a second."""
    pictures = (Image.fromarray(np.ascontiguousarray(frame)) for frame in frames)
    if kind == ".gif":
        pictures = (picture.quantize(256, dither=Image.Dither.FLOYDSTEINBERG) for picture in pictures)
    first, *others = pictures
    duration = max(round(100.0 / fps), 1) * 10 if kind == ".gif" else 1000.0 / fps
    stream = io.BytesIO()
    options = {"save_all": True, "append_images": others, "duration": duration, "loop": 0}
    first.save(stream, format="GIF" if kind == ".gif" else "PNG", **options)
    return stream.getvalue()


def _counted(
    frames: Iterable[NDArray[np.uint8]], progress: Callable[[int], None]
) -> Iterator[NDArray[np.uint8]]:
    for number, frame in enumerate(frames, start=1):
        yield frame
        progress(number)
