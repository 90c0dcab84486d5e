"""KTX 2.0 containers: one two-dimensional, uncompressed texture of one level, written and read.

Khronos KTX File Format Specification 2.0; its data format descriptor: Khronos Data Format Specification 1.3,
basic block. Row 0 of the texels is the first row of the data, orientation "rd" (right, then down).
"""

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import lcm
from typing import NoReturn

import numpy as np

from prewarp.errors import PackageError

IDENTIFIER = b"\xabKTX 20\xbb\r\n\x1a\n"
MAX_SIDE, MAX_KEYS = 65536, 64
_HEADER = struct.Struct("<12s9I4I2Q")
_LEVEL = struct.Struct("<3Q")
_MODEL_RGBSDA, _TRANSFER_LINEAR, _DESCRIPTOR_VERSION = 1, 1, 2
_CHANNEL_IDS = (0, 1, 2, 15)
_SIGNED, _FLOAT = 0x40, 0x80


@dataclass(frozen=True)
class TexelFormat:
    """How texels are stored: Vulkan's name and number, components, and the numpy type of one component."""

    name: str
    vulkan: int
    components: int
    dtype: str

    @property
    def is_float(self) -> bool:
        """Whether components are floats; else whole numbers, for -1 to 1 or without sign for 0 to 1."""
        return np.dtype(self.dtype).kind == "f"

    @property
    def is_signed(self) -> bool:
        """Whether components have a sign."""
        return np.dtype(self.dtype).kind != "u"

    @property
    def texel_bytes(self) -> int:
        """Bytes of one texel."""
        return self.components * np.dtype(self.dtype).itemsize


FORMATS = {
    one.name: one
    for one in (
        TexelFormat("R8G8B8A8_UNORM", 37, 4, "u1"),
        TexelFormat("R16_SFLOAT", 76, 1, "<f2"),
        TexelFormat("R16G16B16A16_SNORM", 92, 4, "<i2"),
        TexelFormat("R16G16B16A16_SFLOAT", 97, 4, "<f2"),
        TexelFormat("R32_SFLOAT", 100, 1, "<f4"),
        TexelFormat("R32G32B32A32_SFLOAT", 109, 4, "<f4"),
    )
}


@dataclass(frozen=True)
class Texture:
    """`format`; `texels` (rows, columns, components) as stored; `notes`, keys and values of the file."""

    format: TexelFormat
    texels: np.ndarray
    notes: Mapping[str, str]

    def values(self) -> np.ndarray:
        """Return texels as a sampler gives them, float64: 16-bit whole numbers c as max(c / 32767, -1)."""
        if self.format.is_float:
            return self.texels.astype(np.float64)
        return np.asarray(np.maximum(self.texels.astype(np.float64) / np.iinfo(self.format.dtype).max, -1.0))


def stored_texels(values: np.ndarray, form: TexelFormat, /) -> np.ndarray:
    """Return values (rows, columns, components) as a format stores them; up to 1 for whole numbers."""
    if form.is_float:
        return values.astype(form.dtype)
    largest = np.iinfo(form.dtype).max
    least = -largest if form.is_signed else 0
    return np.asarray(np.clip(np.rint(values * largest), least, largest).astype(form.dtype))


def ktx2_bytes(texture: Texture, /) -> bytes:
    """Return a texture as a KTX 2.0 file; same texture, same bytes."""
    form = texture.format
    rows, columns = texture.texels.shape[:2]
    descriptor = _descriptor(form)
    notes = _key_values({"KTXorientation": "rd", "KTXwriter": "prewarp", **texture.notes})
    data = np.ascontiguousarray(texture.texels.astype(form.dtype)).tobytes()
    descriptor_at = _HEADER.size + _LEVEL.size
    notes_at = descriptor_at + len(descriptor)
    data_at = -(-(notes_at + len(notes)) // _alignment(form)) * _alignment(form)
    shape = columns, rows, 0, 0, 1, 1, 0
    places = descriptor_at, len(descriptor), notes_at, len(notes), 0, 0
    head = _HEADER.pack(IDENTIFIER, form.vulkan, np.dtype(form.dtype).itemsize, *shape, *places)
    body = head + _LEVEL.pack(data_at, len(data), len(data)) + descriptor + notes
    return body + bytes(data_at - len(body)) + data


def texture_from_ktx2(data: bytes, /, *, where: str) -> Texture:
    """Return the texture of a KTX 2.0 file such as `ktx2_bytes` writes; any other is refused.

    Raises
    ------
    PackageError
        Not such a file, or damaged.
    """

    def refuse(why: str) -> NoReturn:
        raise PackageError(f"{where}: {why} Export again.")

    start = _HEADER.size + _LEVEL.size
    if len(data) < start or data[:12] != IDENTIFIER:
        refuse("not a KTX 2.0 file.")
    (_, vulkan, type_size, columns, rows, depth, layers, faces, levels, scheme, *places) = _HEADER.unpack(
        data[: _HEADER.size]
    )
    form = next((one for one in FORMATS.values() if one.vulkan == vulkan), None)
    if form is None or type_size != np.dtype(form.dtype).itemsize:
        refuse(f"texels of Vulkan format {vulkan}; expected one of {', '.join(FORMATS)}.")
    if (depth, layers, faces, levels, scheme) != (0, 0, 1, 1, 0):
        refuse("not one plain two-dimensional texture of one level.")
    if not (1 <= columns <= MAX_SIDE and 1 <= rows <= MAX_SIDE):
        refuse(f"{columns} x {rows} texels.")
    descriptor_at, descriptor_size, notes_at, notes_size, super_at, super_size = places
    if (descriptor_at, super_at, super_size) != (start, 0, 0) or notes_at != start + descriptor_size:
        refuse("its parts are not where they must be.")
    if data[start:notes_at] != _descriptor(form):
        refuse("its data format descriptor is not that of its texels.")
    offset, size, unpacked = _LEVEL.unpack(data[_HEADER.size : start])
    expected = rows * columns * form.texel_bytes
    if size != expected or unpacked != expected:
        refuse(f"{size} bytes of texels; expected {expected}.")
    if offset < notes_at + notes_size or offset % _alignment(form) or offset + size != len(data):
        refuse("its texels are not where they must be.")
    texels = np.frombuffer(data, dtype=form.dtype, offset=offset).reshape(rows, columns, form.components)
    return Texture(form, texels, _notes_of(data[notes_at : notes_at + notes_size], refuse))


def _alignment(form: TexelFormat) -> int:
    return lcm(form.texel_bytes, 4)


def _descriptor(form: TexelFormat) -> bytes:
    """Return the basic data format descriptor, with its total size before it."""
    bits = np.dtype(form.dtype).itemsize * 8
    block_bytes = 24 + 16 * form.components
    qualifiers = (_SIGNED if form.is_signed else 0) | (_FLOAT if form.is_float else 0)
    if form.is_float:
        low, high = struct.unpack("<II", struct.pack("<ff", -1.0, 1.0))
    elif not form.is_signed:
        low, high = 0, (1 << bits) - 1
    else:
        high = (1 << (bits - 1)) - 1
        low = (1 << 32) - high
    sizes = struct.pack("<IIHH", 4 + block_bytes, 0, _DESCRIPTOR_VERSION, block_bytes)
    # Primaries 1, no flags; texel block of 1 x 1 x 1 x 1 texels, all its bytes in the first plane.
    block = (
        sizes
        + bytes([_MODEL_RGBSDA, 1, _TRANSFER_LINEAR, 0])
        + bytes(4)
        + bytes([form.texel_bytes])
        + bytes(7)
    )
    for place in range(form.components):
        kind = _CHANNEL_IDS[place] | qualifiers
        block += struct.pack("<HBB4xII", place * bits, bits - 1, kind, low, high)
    return block


def _key_values(notes: Mapping[str, str]) -> bytes:
    data = b""
    for key, value in sorted(notes.items(), key=lambda item: item[0].encode()):
        entry = key.encode() + b"\0" + value.encode() + b"\0"
        data += struct.pack("<I", len(entry)) + entry + bytes(-len(entry) % 4)
    return data


def _notes_of(data: bytes, refuse: Callable[[str], NoReturn]) -> dict[str, str]:
    notes: dict[str, str] = {}
    place = 0
    while place < len(data):
        if place + 4 > len(data) or len(notes) >= MAX_KEYS:
            refuse("its keys and values are damaged.")
        (size,) = struct.unpack_from("<I", data, place)
        entry = data[place + 4 : place + 4 + size]
        key, found, value = entry.partition(b"\0")
        if len(entry) != size or not found or not value.endswith(b"\0"):
            refuse("its keys and values are damaged.")
        try:
            notes[key.decode()] = value[:-1].decode()
        except UnicodeDecodeError:
            refuse("its keys and values are not UTF-8.")
        place += 4 + size + (-size % 4)
    return notes
