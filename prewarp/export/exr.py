"""OpenEXR files, the plain part of the format: one picture, scan lines, 32-bit floats, no compression.

Layout after "OpenEXR File Layout" of the OpenEXR project (from memory): magic number and version, attributes,
a table of where each line begins, then the lines, each with its channels in the order of their names.
"""

import struct
from collections.abc import Mapping
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.errors import PackageError

MAGIC, VERSION = 20000630, 2
MAX_TEXELS = 1 << 27
MAX_NAME = 31  # longer names are another version of the format
_FLOAT = 2  # kind of a channel: 32-bit float
# A channel as `_attributes` writes it: name, 32-bit float, every pixel both ways.
_ENTRY = struct.pack("<iB3xii", _FLOAT, 0, 1, 1)
_MOST_ATTRIBUTES = 64


def exr_bytes(channels: Mapping[str, FloatArray | NDArray[np.float32]], /, *, comments: str = "") -> bytes:
    """Return an OpenEXR file of channels (height, width) each, by name; the same input gives the same bytes.

    Parameters
    ----------
    channels : mapping of str to (height, width) array
        Stored as 32-bit floats; the first row is the top of the picture.
    comments : str
        Text that readers show as the attribute of that name.

    Raises
    ------
    PackageError
        No channels, other shapes, too large, or a name that the format does not hold.
    """
    planes = {name: np.asarray(plane, dtype="<f4") for name, plane in sorted(channels.items())}
    shapes = {plane.shape for plane in planes.values()}
    if len(shapes) != 1 or len(shape := shapes.pop()) != 2 or not 1 <= np.prod(shape) <= MAX_TEXELS:
        found = ", ".join(f"{name} {plane.shape}" for name, plane in planes.items()) or "none"
        raise PackageError(f"channels are {found}; expected one shape (height, width) of all, not empty.")
    for name in planes:
        if not (name.isascii() and name.isprintable() and 1 <= len(name) <= MAX_NAME):
            raise PackageError(f"channel {name!r}: expected 1 to {MAX_NAME} printable ASCII characters.")
    height, width = shape
    head = struct.pack("<ii", MAGIC, VERSION) + _attributes(list(planes), width, height, comments)
    size = 4 * width * len(planes)
    begin = len(head) + 8 * height
    table = begin + np.arange(height, dtype="<u8") * (8 + size)
    lines: NDArray[np.void] = np.empty(height, dtype=_lines(len(planes), width, height))
    lines["y"], lines["size"] = np.arange(height), size
    for place, plane in enumerate(planes.values()):
        lines["data"][:, place] = plane
    return b"".join([head, table.astype("<u8").tobytes(), lines.view(np.uint8).data])


def channels_from_exr(data: bytes, /, *, where: str) -> dict[str, NDArray[np.float32]]:
    """Return the channels (height, width) of a file such as `exr_bytes` writes; any other is refused.

    They are the file's own bytes, not copied.

    Raises
    ------
    PackageError
        Not such a file, or damaged.
    """

    def refuse(why: str) -> NoReturn:
        raise PackageError(f"{where}: {why} Export again.")

    if data[:8] != struct.pack("<ii", MAGIC, VERSION):
        refuse("not a plain OpenEXR file of one picture.")
    attributes: dict[str, bytes] = {}
    place = 8
    try:
        while data[place]:
            name, kind, rest = data[place : place + 512].split(b"\0", 2)
            (size,) = struct.unpack_from("<i", rest)
            place += len(name) + len(kind) + 6
            if size < 0 or place + size > len(data) or len(attributes) >= _MOST_ATTRIBUTES:
                refuse("its header is damaged.")
            attributes[name.decode("ascii")] = data[place : place + size]
            place += size
        x, y, right, bottom = struct.unpack("<iiii", attributes["dataWindow"])
        names = _channel_names(attributes["channels"])
    # A damaged header can end anywhere and hold any bytes.
    except (IndexError, KeyError, ValueError, struct.error) as cause:
        raise PackageError(f"{where}: its header is damaged ({cause}). Export again.") from cause
    width, height = right + 1, bottom + 1
    if (x, y) != (0, 0) or width < 1 or height < 1 or width * height > MAX_TEXELS or not names:
        refuse(f"a picture of {width} x {height} texels with {len(names)} channels.")
    lines = _lines(len(names), width, height)
    begin = place + 1 + 8 * height
    if len(data) != begin + lines.itemsize * height:
        refuse(f"{len(data)} bytes; expected {begin + lines.itemsize * height}.")
    found = np.frombuffer(data, dtype=lines, offset=begin)
    if attributes.get("compression") != b"\0" or not np.array_equal(found["y"], np.arange(height)):
        refuse("its lines are compressed, or not in their order.")
    planes = np.moveaxis(found["data"], 1, 0)
    return dict(zip(names, planes, strict=True))


def _channel_names(told: bytes) -> list[str]:
    """Return the names of the channels that a header tells; `ValueError` where they are of another kind."""
    names = []
    while told != b"\0":
        name, end, rest = told.partition(b"\0")
        if not name or not end or not rest.startswith(_ENTRY):
            raise ValueError("channels of another kind")
        names.append(name.decode("ascii"))
        told = rest[len(_ENTRY) :]
    return names


def _lines(channels: int, width: int, height: int) -> np.dtype[np.void]:
    """Return how one line of the picture lies in the file."""
    return np.dtype([("y", "<i4"), ("size", "<i4"), ("data", "<f4", (channels, width))])


def _attributes(names: list[str], width: int, height: int, comments: str) -> bytes:
    """Return the header: what a reader must know, each as name, kind, size and value, and a closing zero."""
    entries = b"".join(_text(name) + _ENTRY for name in names)
    window = struct.pack("<iiii", 0, 0, width - 1, height - 1)
    attributes = [
        ("channels", "chlist", entries + b"\0"),
        ("comments", "string", comments.encode("utf-8")),
        ("compression", "compression", b"\0"),
        ("dataWindow", "box2i", window),
        ("displayWindow", "box2i", window),
        ("lineOrder", "lineOrder", b"\0"),
        ("pixelAspectRatio", "float", struct.pack("<f", 1.0)),
        ("screenWindowCenter", "v2f", struct.pack("<ff", 0.0, 0.0)),
        ("screenWindowWidth", "float", struct.pack("<f", 1.0)),
    ]
    used = (one for one in attributes if one[2] or one[0] != "comments")
    told = (_text(name) + _text(kind) + struct.pack("<i", len(value)) + value for name, kind, value in used)
    return b"".join(told) + b"\0"


def _text(text: str) -> bytes:
    return text.encode("ascii") + b"\0"
