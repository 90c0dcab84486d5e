"""Content pictures of demo and preview: committed files, which `demo_scenes/make_scenes.py` draws."""

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import nearest_name
from prewarp.errors import RenderError
from prewarp.render.pictures import filling, read_picture
from prewarp.resources import resource_path

# File of every scene. Of the quay a JPEG is smaller by far, and nothing can be told from it.
SCENES = {
    "grid": "grid.png",
    "fine_lines": "fine_lines.png",
    "harbour": "harbour.png",
    "vertical_lines": "vertical_lines.png",
    "horizontal_lines": "horizontal_lines.png",
    "text_page": "text_page.png",
    "stars": "stars.png",
    "checkerboard": "checkerboard.png",
    "grey_ramp": "grey_ramp.png",
    "quay_by_day": "quay_by_day.jpg",
}
# Of scenes with words: drawn once more for content that is no wider than high, where words would be cut.
TALL = {"grid": "grid_tall.png", "text_page": "text_page_tall.png"}


def scene(name: str, size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a committed scene, scaled about its middle to fill a content picture (height, width, 3), sRGB.

    Of `TALL` scenes content that is no wider than high gets the upright drawing.

    Raises
    ------
    RenderError
        There is no such scene (names the nearest).
    """
    if name not in SCENES:
        raise RenderError(
            f"no scene '{name}'; expected one of {', '.join(SCENES)}.{nearest_name(name, SCENES)}"
        )
    file = TALL.get(name, SCENES[name]) if size_px[0] <= size_px[1] else SCENES[name]
    return filling(read_picture(resource_path("demo_scenes", file)), size_px)
