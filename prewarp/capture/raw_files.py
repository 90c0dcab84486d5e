"""Raw files of cameras whose sensor has no colour filters: values as they were read out.

The library rawpy (LibRaw) decodes them. It is asked for when a raw file is met: `pip install 'prewarp[raw]'`.
"""

from pathlib import Path

import numpy as np

from prewarp.errors import CaptureError, InputFileError

RAW_SUFFIXES = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".raw", ".rw2")
_MISSING = (
    "a raw file of a camera needs the library rawpy, which is not installed: pip install 'prewarp[raw]'. "
    "Or save it as 16-bit TIFF without any correction."
)


def read_raw(path: Path, /, *, limit_pixels: int) -> np.ndarray:
    """Return the visible pixels of a raw file, (height, width), uint16, neither developed nor turned.

    Raises
    ------
    InputFileError
        Damaged, of a kind that LibRaw does not know, of more than `limit_pixels`, or rawpy is not installed.
    CaptureError
        The sensor has a mosaic of colours, or the file was developed to colours.
    """
    try:
        import rawpy
    except ImportError as cause:
        raise InputFileError(f"{path}: {_MISSING}", path=str(path)) from cause
    try:
        with rawpy.imread(str(path)) as raw:
            # Opened, not yet decoded.
            sizes = raw.sizes
            if sizes.raw_width * sizes.raw_height > limit_pixels:
                raise InputFileError(
                    f"{path}: {sizes.raw_width} x {sizes.raw_height} px; at most "
                    f"{limit_pixels // 1_000_000} million are read.",
                    path=str(path),
                )
            if raw.num_colors != 1:
                raise CaptureError(
                    f"{path}: its pixels have filters of {raw.num_colors} colours; expected one plane. Save "
                    "the pixels of one colour alone as 16-bit TIFF, without any correction.",
                    path=str(path),
                )
            return np.array(raw.raw_image_visible, np.uint16)
    except rawpy.LibRawFileUnsupportedError as cause:
        raise InputFileError(
            f"{path}: no raw file that LibRaw knows. Save it as 16-bit TIFF without any correction.",
            path=str(path),
        ) from cause
    except rawpy.LibRawError as cause:
        raise InputFileError(
            f"{path}: cannot be read to its end ({_text(cause)}). It may have been cut short: copy it "
            "again, or take it again.",
            path=str(path),
        ) from cause


def raw_size_px(path: Path, /) -> tuple[int, int]:
    """Return the width and height that the head of a raw file says; pixels are not decoded.

    Raises whatever rawpy raises, ImportError where it is not installed.
    """
    import rawpy

    with rawpy.imread(str(path)) as raw:
        return raw.sizes.raw_width, raw.sizes.raw_height


def _text(cause: Exception) -> str:
    """Return the message of an error of LibRaw, which is bytes."""
    text = cause.args[0] if cause.args else ""
    return text.decode("ascii", "replace") if isinstance(text, bytes) else str(text)
