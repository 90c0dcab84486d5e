"""Uncompressed DNG files (Adobe, Digital Negative Specification 1.4, over TIFF 6.0), written tag by tag."""

import struct

BYTE, TEXT, SHORT, LONG, RATIO = 1, 2, 3, 4, 10
_CODES = {SHORT: "H", LONG: "I", RATIO: "i"}
_IDENTITY = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)


def dng(values, *, mosaic=False, size=None, covered=0):
    """Return the bytes of a DNG of `values`, (height, width), uint16: one plane, or a mosaic of colours.

    `covered`: so many columns and rows, at the left and at the top, see no light.
    """
    height, width = size or values.shape
    data = values.astype("<u2").tobytes()
    tags = {
        254: (LONG, [0]), 256: (LONG, [width]), 257: (LONG, [height]), 258: (SHORT, [16]), 259: (SHORT, [1]),
        262: (SHORT, [32803 if mosaic else 34892]), 271: (TEXT, b"bench\0"), 272: (TEXT, b"camera\0"),
        274: (SHORT, [6]), 277: (SHORT, [1]), 278: (LONG, [height]), 279: (LONG, [len(data)]),
        50706: (BYTE, bytes([1, 4, 0, 0])), 50707: (BYTE, bytes([1, 1, 0, 0])), 50708: (TEXT, b"bench one\0"),
        50714: (SHORT, [0]), 50717: (SHORT, [65535]),
    }  # fmt: skip
    if covered:
        tags[50829] = (LONG, [covered, covered, height, width])
    if mosaic:
        tags |= {33421: (SHORT, [2, 2]), 33422: (BYTE, bytes([0, 1, 1, 2])), 50721: (RATIO, _IDENTITY)}
    tags[273] = (LONG, [0])
    lengths = {tag: len(_packed(*entry)) for tag, entry in tags.items()}
    start = 8 + 2 + 12 * len(tags) + 4
    tags[273] = (LONG, [start + sum(length + length % 2 for length in lengths.values() if length > 4)])
    body, beside = b"II*\0" + struct.pack("<IH", 8, len(tags)), b""
    for tag in sorted(tags):
        kind, items = tags[tag]
        packed = _packed(kind, items)
        count = len(items) // 2 if kind == RATIO else len(items)
        body += struct.pack("<HHI", tag, kind, count)
        if len(packed) <= 4:
            body += packed.ljust(4, b"\0")
        else:
            body += struct.pack("<I", start + len(beside))
            beside += packed + b"\0" * (len(packed) % 2)
    return body + b"\0\0\0\0" + beside + data


def _packed(kind, items):
    return items if isinstance(items, bytes) else struct.pack(f"<{len(items)}{_CODES[kind]}", *items)
