"""What both renderers take: content pictures, panel pictures, which colour feeds which plane."""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from prewarp.encoding import Quantiser, TransferFunction, largest_code
from prewarp.errors import InputFileError, RenderError, ShapeError
from prewarp.files import MEBIBYTE, require_file

PLANES = ("R", "G", "B")
Made = TypeVar("Made")
MAX_PICTURE_BYTES = 256 * MEBIBYTE
MAX_PICTURE_PX = 1 << 28


@dataclass(frozen=True)
class PanelPicture:
    """What a panel is given.

    Parameters
    ----------
    codes : (height, width, 3) unsigned integer array
        Red, green, blue codes; row 0 is the top of the panel.
    transfer : TransferFunction
        What the codes mean in light.
    bit_depth : int
        Bits per code.
    """

    codes: NDArray[np.unsignedinteger]
    transfer: TransferFunction = field(default_factory=TransferFunction)
    bit_depth: int = 8

    def __post_init__(self) -> None:
        if self.codes.ndim != 3 or self.codes.shape[-1] != 3 or self.codes.dtype.kind != "u":
            raise ShapeError(
                f"panel picture has shape {self.codes.shape} and kind {self.codes.dtype}; expected "
                "(height, width, 3) of unsigned integers."
            )

    def linear(self) -> NDArray[np.float32]:
        """Return the light of every pixel, (height, width, 3)."""
        levels = self.transfer.linear_of_codes(self.bit_depth).astype(np.float32)
        return np.asarray(levels.take(self.codes, mode="clip"))

    def shown(self) -> NDArray[np.uint8]:
        """Return the codes scaled to 8 bits, for looking at."""
        scale = 255.0 / largest_code(self.bit_depth)
        return np.asarray(np.rint(self.codes * scale), dtype=np.uint8)


def field_colours(colours: Sequence[str], /) -> tuple[str, str, str]:
    """Return which colour's field draws the red, green and blue plane; a single colour draws all three."""
    if len(colours) == 1:
        return (colours[0],) * 3
    missing = [plane for plane in PLANES if plane not in colours]
    if missing:
        raise RenderError(
            f"colours are {', '.join(colours)}; a picture needs R, G and B, or one colour alone. "
            f"Missing: {', '.join(missing)}."
        )
    return PLANES


def for_planes(colours: Sequence[str], make: Callable[[str], Made], /) -> tuple[Made, ...]:
    """Return what `make` gives for the colours of the red, green and blue plane; each is asked once."""
    planes = field_colours(colours)
    made = {colour: make(colour) for colour in dict.fromkeys(planes)}
    return tuple(made[colour] for colour in planes)


def require_content(image: NDArray[np.uint8], size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return an sRGB picture (height, width, 3) of 8 bits, or raise when its size is not the projection's."""
    image = np.asarray(image)
    expected = (size_px[1], size_px[0], 3)
    if image.dtype != np.uint8 or image.shape != expected:
        raise ShapeError(
            f"content picture has shape {image.shape} and kind {image.dtype}; expected {expected} of uint8, "
            "as the content projection says. Scale the picture or change [content]."
        )
    return image


def encode_view(light: NDArray[np.floating], /) -> NDArray[np.uint8]:
    """Return linear light (height, width, 3) as 8-bit sRGB; light above 1 is clipped."""
    return Quantiser(TransferFunction(), 8).code_from_linear(light)


def filling(image: NDArray[np.uint8], size_px: tuple[int, int], /) -> NDArray[np.uint8]:
    """Return a picture (height, width, 3) scaled about its middle to fill `size_px`, and cut to it."""
    picture = Image.fromarray(image)
    factor = max(size_px[0] / picture.width, size_px[1] / picture.height)
    crop = [max(round(size / factor), 1) for size in size_px]
    left, top = ((have - want) // 2 for have, want in zip(picture.size, crop, strict=True))
    box = (left, top, left + crop[0], top + crop[1])
    return np.asarray(picture.resize(size_px, Image.Resampling.BICUBIC, box=box))


def png_bytes(image: NDArray[np.uint8] | NDArray[np.uint16], /) -> bytes:
    """Return an 8-bit picture (height, width, 3), or grey (height, width) of 8 or 16 bits, as PNG."""
    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(image)).save(stream, format="PNG", compress_level=6)
    return stream.getvalue()


def read_picture(path: Path, /) -> NDArray[np.uint8]:
    """Read a picture file as 8-bit RGB, (height, width, 3); row 0 is the top."""
    require_file(path, limit_bytes=MAX_PICTURE_BYTES, what="a picture (PNG, JPEG)")
    try:
        with Image.open(path) as picture:
            if picture.width * picture.height > MAX_PICTURE_PX:
                raise InputFileError(
                    f"{path}: {picture.width} x {picture.height} px; at most {MAX_PICTURE_PX} px are read.",
                    path=str(path),
                )
            return np.asarray(picture.convert("RGB"))
    except (InputFileError, MemoryError):
        raise
    # Pillow raises many kinds of error on damaged bytes; each means the same to the reader.
    except Exception as cause:
        raise InputFileError(
            f"{path}: not a readable picture ({type(cause).__name__}: {cause}). Save it again as PNG.",
            path=str(path),
        ) from cause
