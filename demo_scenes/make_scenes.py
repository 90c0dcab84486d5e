"""Draw the content pictures beside this file: `python -m demo_scenes.make_scenes` (some ten seconds).

Random parts have fixed seeds: the same releases of Pillow and numpy give the same bytes.
"""

import argparse
import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from prewarp.files import write_bytes
from prewarp.render.scenes import SCENES, TALL

from .harbour import harbour
from .patterns import (
    checkerboard,
    fine_lines,
    grey_ramp,
    grid,
    horizontal_lines,
    stars,
    text_page,
    vertical_lines,
)
from .quay import quay_by_day

HERE = Path(__file__).resolve().parent
# Size of the committed pictures, px. They are scaled to the content size that a module asks for.
SIZE_PX = (1920, 1080)
TALL_SIZE_PX = (1080, 1920)
# Each draws a picture (height, width, 3), 8-bit sRGB, of any size (width, height), px.
DRAWINGS: dict[str, Callable[[tuple[int, int]], NDArray[np.uint8]]] = {
    drawn.__name__: drawn
    for drawn in (
        grid,
        fine_lines,
        harbour,
        vertical_lines,
        horizontal_lines,
        text_page,
        stars,
        checkerboard,
        grey_ramp,
        quay_by_day,
    )
}
# Pictures of many shades. The others are plain drawings and are kept in 64 colours.
_SHADED = ("harbour", "stars", "grey_ramp")


def scene_bytes(name: str, size_px: tuple[int, int] = SIZE_PX, /) -> bytes:
    """Return the file of a scene."""
    picture = Image.fromarray(DRAWINGS[name](size_px))
    stream = io.BytesIO()
    if SCENES[name].endswith(".jpg"):
        picture.save(stream, format="JPEG", quality=88, optimize=True)
    else:
        if name not in _SHADED:
            picture = picture.quantize(64, dither=Image.Dither.NONE)
        picture.save(stream, format="PNG", optimize=True)
    return stream.getvalue()


def main() -> None:
    """Write every scene."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "-o", "--output", type=Path, default=HERE, help="folder to write to (default: this one)"
    )
    folder = parser.parse_args().output
    for name, file in SCENES.items():
        write_bytes(folder / file, scene_bytes(name))
        print(folder / file)
    for name, file in TALL.items():
        write_bytes(folder / file, scene_bytes(name, TALL_SIZE_PX))
        print(folder / file)


if __name__ == "__main__":
    main()
