"""Photographs from files: PNG, TIFF and raw files of one plane with 8 or 16 bits, read whole or not at all.

Sizes are held against limits, and against the camera's, before any pixel is read.
"""

import warnings
from pathlib import Path

import numpy as np
from PIL import Image, UnidentifiedImageError

from prewarp.capture.raw_files import RAW_SUFFIXES, raw_size_px, read_raw
from prewarp.errors import CaptureError, InputFileError
from prewarp.files import require_file

LIMIT_BYTES = 1 << 30
LIMIT_PIXELS = 400_000_000
WHAT = "a photograph (PNG or TIFF)"
SUFFIXES = (".png", ".tif", ".tiff", *RAW_SUFFIXES)
_FORMATS = ("PNG", "TIFF")
_KINDS = {"L": 8, "I;16": 16, "I;16B": 16, "I;16L": 16}
_ORIENTATION = 274


def read_photograph(
    path: Path | str, /, *, size_px: tuple[int, int] | None = None, highest: float | None = None
) -> np.ndarray:
    """Return the values of a photograph, (height, width), uint8 or uint16, as they stand in the file.

    Parameters
    ----------
    path : path
    size_px : (int, int), optional
        Width and height that the camera has; another size is an error.
    highest : float, optional
        Highest value that the camera writes; a file whose depth cannot hold it is an error.

    Raises
    ------
    InputFileError
        Missing, empty, too large, truncated, or neither PNG nor TIFF nor a raw file that can be read.
    CaptureError
        Another size or depth than the camera's, colours, several pages, or a turn noted in its EXIF data.
    """
    path = Path(path)
    require_file(path, limit_bytes=LIMIT_BYTES, what=WHAT)
    if path.suffix.lower() in RAW_SUFFIXES:
        values = read_raw(path, limit_pixels=LIMIT_PIXELS)
        _require_fit((values.shape[1], values.shape[0]), 16, path, size_px, highest)
        return values
    with warnings.catch_warnings():
        # Pillow warns of large pictures; the limit below is what counts.
        warnings.simplefilter("ignore")
        try:
            with Image.open(path, formats=_FORMATS) as picture:
                _require_kind(picture, path, size_px, highest)
                values = np.asarray(picture)
        except (InputFileError, CaptureError, MemoryError):
            raise
        except UnidentifiedImageError as cause:
            raise InputFileError(
                f"{path}: no PNG or TIFF; expected {WHAT}. Save it again, or take it again.", path=str(path)
            ) from cause
        # Damaged files raise many kinds of error in their readers; each means the same to the reader here.
        except Exception as cause:
            raise InputFileError(
                f"{path}: cannot be read to its end ({cause}); expected {WHAT}. It may have been cut short: "
                "copy it again, or take it again.",
                path=str(path),
            ) from cause
    return values if values.dtype == np.uint8 else values.astype(np.uint16, copy=False)


def told_size_px(path: Path, /) -> tuple[int, int] | None:
    """Return width and height from the head of a photograph, no pixel read; None where it cannot be read."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # Whatever is wrong with a file is told when it is read.
        try:
            require_file(path, limit_bytes=LIMIT_BYTES, what=WHAT)
            if path.suffix.lower() in RAW_SUFFIXES:
                return raw_size_px(path)
            with Image.open(path, formats=_FORMATS) as picture:
                return picture.size
        except Exception:
            return None


def _require_kind(
    picture: Image.Image, path: Path, size_px: tuple[int, int] | None, highest: float | None
) -> None:
    """Raise unless a picture, of which nothing but the head was read, is a photograph of the camera."""
    width, height = picture.size
    if width * height > LIMIT_PIXELS:
        raise InputFileError(
            f"{path}: {width} x {height} px; at most {LIMIT_PIXELS // 1_000_000} million are read.",
            path=str(path),
        )
    if getattr(picture, "n_frames", 1) != 1:
        raise CaptureError(
            f"{path}: holds {getattr(picture, 'n_frames', 0)} pages; expected one photograph a file.",
            path=str(path),
        )
    depth = _KINDS.get(picture.mode)
    if depth is None:
        raise CaptureError(
            f"{path}: its pixels are '{picture.mode}'; expected one plane of 8 or 16 bits. Save "
            "it as a grey picture; from a colour camera, save the pixels of one colour alone.",
            path=str(path),
        )
    turn = picture.getexif().get(_ORIENTATION, 1)
    if turn != 1:
        raise CaptureError(
            f"{path}: its EXIF data say that it is to be shown turned or mirrored (orientation "
            f"{turn}); the camera file describes pixels as they were read out. Set orientation to "
            "1 without turning pixels, and switch that off in the camera.",
            path=str(path),
        )
    _require_fit((width, height), depth, path, size_px, highest)


def _require_fit(
    found_px: tuple[int, int], depth: int, path: Path, size_px: tuple[int, int] | None, highest: float | None
) -> None:
    """Raise unless a photograph has the camera's size, and bits enough for its values."""
    width, height = found_px
    if size_px is not None and (width, height) != tuple(size_px):
        swapped = " It is turned by 90 degrees." if (height, width) == tuple(size_px) else ""
        raise CaptureError(
            f"{path}: {width} x {height} px; the camera has {size_px[0]} x {size_px[1]}.{swapped} Is it "
            "of this camera, whole and not resized?",
            path=str(path),
        )
    if highest is not None and highest > (1 << depth) - 1:
        raise CaptureError(
            f"{path}: {depth} bits a pixel; the camera writes values up to {highest:g}. Save photographs "
            "with 16 bits.",
            path=str(path),
        )
