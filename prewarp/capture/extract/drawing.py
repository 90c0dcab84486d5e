"""A picture of each view: the whole frame with every dot that was found, and those refused with the
reason.
"""

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from prewarp.capture.extract.frames import WHOLE
from prewarp.capture.extract.measure import AT_EDGE, COVERED, OFF, SATURATED
from prewarp.capture.extract.pose import ONE, PoseResult, PoseTask
from prewarp.capture.image_files import read_photograph
from prewarp.capture.paths import path_inside
from prewarp.errors import PrewarpError
from prewarp.files import file_stem, write_bytes

LONGEST_PX = 1400
_FOUND = (60, 220, 90)
_COLOURS = {
    COVERED: (255, 140, 0),
    SATURATED: (255, 60, 60),
    AT_EDGE: (90, 160, 255),
    OFF: (255, 90, 255),
}
_HEAD = 22


def draw_pose(task: PoseTask, result: PoseResult, folder: Path, /) -> None:
    """Write one PNG a channel and colour: green rings found, others refused (orange covered, red saturated,
    blue at the edge, pink off their neighbours). A photograph that cannot be read has no picture.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for channel, colour in dict.fromkeys((row.channel, row.colour) for row in task.rows if row.channel):
        rows = [
            row
            for row in task.rows
            if (row.channel, row.colour) == (channel, colour) and row.kind in (WHOLE, ONE)
        ]
        if not rows:
            continue
        row = max(rows, key=lambda one: one.exposure_ms)
        try:
            values = read_photograph(path_inside(task.folder, row.file))
        except PrewarpError:
            continue
        name = file_stem(f"{task.name}-{channel}-{colour}")
        write_bytes(folder / f"{name}.png", _picture(values, result, channel, colour, row.file))


def _picture(values: np.ndarray, result: PoseResult, channel: str, colour: str, file: str) -> bytes:
    import io

    every = max(1, int(np.ceil(max(values.shape) / LONGEST_PX)))
    rows, columns = (length // every * every for length in values.shape)
    small = values[:rows, :columns].reshape(rows // every, every, columns // every, every).max(axis=(1, 3))
    low, high = np.quantile(small[::2, ::2], (0.02, 0.999))
    shown = np.clip((small - low) / max(high - low, 1.0), 0.0, 1.0) ** 0.5
    canvas = Image.new("RGB", (small.shape[1], small.shape[0] + _HEAD), (24, 24, 24))
    canvas.paste(Image.fromarray((shown * 255).astype(np.uint8)).convert("RGB"), (0, _HEAD))
    draw = ImageDraw.Draw(canvas)
    own = (result.rows.channel == channel) & (result.rows.colour == colour)
    size = max(4.0, 0.006 * max(small.shape))
    for place in result.rows.place[own] / every:
        _ring(draw, place, size, _FOUND)
    refused = [one for one in result.refused if (one["channel"], one["color"]) == (channel, colour)]
    for one in refused:
        colour_of = _COLOURS.get(one["why"], (255, 255, 255))
        _ring(draw, np.array([one["x_px"], one["y_px"]]) / every, size * 1.2, colour_of)
    why = result.refused_views.get(f"{channel} {colour}", "")
    head = f"{file}   {int(own.sum())} found, {len(refused)} refused" + (f"   REFUSED: {why}" if why else "")
    draw.text((6, 5), head[: small.shape[1] // 6], fill=(230, 230, 230))
    stream = io.BytesIO()
    # A noisy picture packs no smaller at higher levels, which take three times as long.
    canvas.save(stream, format="PNG", compress_level=3)
    return stream.getvalue()


def _ring(draw: ImageDraw.ImageDraw, place: np.ndarray, size: float, colour: tuple[int, int, int]) -> None:
    x, y = float(place[0]), float(place[1]) + _HEAD
    draw.ellipse((x - size, y - size, x + size, y + size), outline=colour)
