"""Contact sheets: the demo's pictures of both modules side by side with plain words, drawn px for px."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from prewarp.demo.views import CloseUp
from prewarp.frames import ARCMIN_PER_RADIAN

Picture = NDArray[np.uint8]

PAPER, INK, FAINT, FRAME, MARK = (250, 250, 248), (28, 32, 36), (92, 98, 104), (160, 166, 172), (86, 180, 233)
MARGIN, GAP, COLUMN_GAP = 28, 8, 36
TITLE, HEAD, ROW, SMALL = 34, 26, 22, 17


@dataclass(frozen=True)
class Row:
    """One state: a title in plain words, and for each module the pictures that go side by side."""

    title: str
    pictures: Sequence[Sequence[Picture]]


def contact_sheet(title: str, notes: Sequence[str], heads: Sequence[str], rows: Sequence[Row], /) -> Picture:
    """Return a sheet: title, notes, one column per module under its head, one row per state."""
    widths = [
        sum(picture.shape[1] for picture in cells) + GAP * (len(cells) - 1) for cells in rows[0].pictures
    ]
    heights = [max(picture.shape[0] for cells in row.pictures for picture in cells) for row in rows]
    band = ROW + 18
    top = MARGIN + TITLE + 14 + (SMALL + 8) * len(notes) + 12
    height = top + HEAD + 6 + sum(heights) + band * len(rows) + 16 * (len(rows) - 1) + MARGIN
    width = 2 * MARGIN + sum(widths) + COLUMN_GAP * (len(widths) - 1)
    sheet = Image.new("RGB", (width, height), PAPER)
    draw = ImageDraw.Draw(sheet)
    draw.text((MARGIN, MARGIN), title, font=_font(TITLE), fill=INK)
    for place, note in enumerate(notes):
        draw.text((MARGIN, MARGIN + TITLE + 14 + place * (SMALL + 8)), note, font=_font(SMALL), fill=FAINT)
    lefts = [MARGIN + sum(widths[:place]) + COLUMN_GAP * place for place in range(len(widths))]
    for left, head in zip(lefts, heads, strict=True):
        draw.text((left, top), head, font=_font(HEAD), fill=INK)
    y = top + HEAD + 6
    for row, tall in zip(rows, heights, strict=True):
        draw.text((MARGIN, y + 10), row.title, font=_font(ROW), fill=INK)
        y += band
        for left, cells in zip(lefts, row.pictures, strict=True):
            x = left
            for picture in cells:
                sheet.paste(Image.fromarray(picture), (x, y))
                draw.rectangle(
                    [x - 1, y - 1, x + picture.shape[1], y + picture.shape[0]], outline=FRAME, width=1
                )
                x += picture.shape[1] + GAP
        y += tall + 16
    return np.asarray(sheet)


def with_scale(picture: Picture, window: CloseUp, /, *, arcmin: float) -> Picture:
    """Return a close-up with a bar of so many arcmin and its label in the lower left corner."""
    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image)
    across, up = window.centre
    # Along x: a unit direction turns by sqrt(1 + ty^2) / (1 + |t|^2) for each unit of tangent.
    stretch = (1.0 + across**2 + up**2) / np.sqrt(1.0 + up**2)
    length = arcmin / ARCMIN_PER_RADIAN * window.scale_px * stretch
    label = f"{arcmin:g} arcmin" if arcmin < 60 else f"{arcmin / 60:g}\N{DEGREE SIGN}"
    x, y = 12, picture.shape[0] - 14
    text = draw.textbbox((x + length + 8, y), label, font=_font(15), anchor="lm")
    draw.rectangle([x - 6, text[1] - 5, text[2] + 6, text[3] + 5], fill=(0, 0, 0))
    draw.line([(x, y), (x + length, y)], fill=MARK, width=3)
    for end in (x, x + length):
        draw.line([(end, y - 5), (end, y + 5)], fill=MARK, width=2)
    draw.text((x + length + 8, y), label, font=_font(15), anchor="lm", fill=(255, 255, 255))
    return np.asarray(image)


def with_frame(picture: Picture, corners: NDArray[np.floating], /) -> Picture:
    """Return a picture with the place of a close-up framed; `corners` (n, 2) picture px."""
    image = Image.fromarray(picture)
    low, high = corners.min(axis=0), corners.max(axis=0)
    ImageDraw.Draw(image).rectangle([*(low - 1), *(high + 1)], outline=MARK, width=3)
    return np.asarray(image)


def rows_of(
    titles: Mapping[str, str], modules: Sequence[Mapping[str, Sequence[Picture]]], /
) -> tuple[Row, ...]:
    """Return one row per state of `titles`, with the pictures of every module."""
    return tuple(Row(title, tuple(module[state] for module in modules)) for state, title in titles.items())


def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size)
    assert isinstance(font, ImageFont.FreeTypeFont)  # of a given size there is no other
    return font
