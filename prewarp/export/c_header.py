"""The C header and the table for people that describe the blob, both made from `layout`."""

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.lookup import blob_reading as rules
from prewarp.lookup import device, tables
from prewarp.lookup.coding import Format
from prewarp.lookup.layout import (
    ALIGNMENT,
    MAGIC,
    MAX_BLOB_BYTES,
    NAME_BYTES,
    NONE,
    RECORDS,
    RESERVED,
    SECTIONS,
    VERSION,
    Entry,
)
from prewarp.lookup.pupil import pupil_count
from prewarp.lookup.term_bits import CHOICE_BITS, DEGREE_BITS, RUN, WIDTH_BITS, WIDTHS, ZEROS, Choice

_LIMITS = {
    "MAX_CHANNELS": rules.MAX_CHANNELS,
    "MAX_COLOURS": rules.MAX_COLOURS,
    "MAX_NUMBERS": rules.MAX_NUMBERS,
    "STORED_NAME_BYTES": NAME_BYTES,
    "MAX_PANEL_DEGREE": tables.MAX_PANEL_DEGREE,
    "MAX_PUPIL_DEGREE": tables.MAX_PUPIL_DEGREE,
    "MAX_PUPIL_FUNCTIONS": pupil_count(tables.MAX_PUPIL_DEGREE),
    "MAX_MODES": tables.MAX_MODES,
    "MAX_COEFFICIENTS": tables.MAX_COEFFICIENTS,
    "MIN_SPLINE_COEFFICIENTS": tables.MIN_SPLINE_COEFFICIENTS,
    "MIN_CLAIM_COEFFICIENTS": tables.MIN_CLAIM_COEFFICIENTS,
    "MAX_CLAIM_COEFFICIENTS": tables.MAX_CLAIM_COEFFICIENTS,
    "MAX_BORDER_POINTS": tables.MAX_BORDER_POINTS,
    "MAX_REGIONS": tables.MAX_REGIONS,
    "MAX_REGION_DEGREE": tables.MAX_REGION_DEGREE,
    "MAX_GAIN_DEGREE": tables.MAX_GAIN_DEGREE,
    "MAX_GAIN_PUPIL_FUNCTIONS": count_of_degree(tables.MAX_PUPIL_DEGREE),
    "INVERSE_STEPS": device.INVERSE_STEPS,
}
_REALS = {
    "LARGEST_TANGENT": rules.LARGEST_TANGENT,
    "LARGEST_PUPIL_MM": rules.LARGEST_PUPIL_MM,
    "LARGEST_WEIGHT": rules.LARGEST_WEIGHT,
    "LARGEST_VALUE": rules.LARGEST_VALUE,
    "LARGEST_DEG": rules.LARGEST_DEG,
    "LEAST_PITCH_DEG": rules.LEAST_PITCH_DEG,
    "LEAST_HALF_MM": rules.LEAST_HALF_MM,
    "SMALLEST_CLAIM": rules.SMALLEST_CLAIM,
    "START_DIFFERENCE": float(device.START_DIFFERENCE),
    "DIFFERENCE": float(device.DIFFERENCE),
    "LONGEST_STEP": float(device.LONGEST_STEP),
    "FARTHEST": float(device.FARTHEST),
    "DONE": float(device.DONE),
}
_HEAD_VALUES = {
    "VERSION": VERSION,
    "ALIGNMENT": ALIGNMENT,
    "MAX_BLOB_BYTES": MAX_BLOB_BYTES,
    "NONE": NONE,
    "SECTION_COUNT": len(SECTIONS),
}
_HEAD = """\
/* Layout of a lookup blob, version {version}. Made from the layout's description: do not edit.
 * Little-endian; sections at multiples of {alignment} bytes; CRC-32 of IEEE 802.3, check value 0xCBF43926. */
#ifndef PREWARP_LAYOUT_H
#define PREWARP_LAYOUT_H
"""


def layout_header() -> str:
    """Return `prewarp_layout.h`: sizes and places of every entry, limits and constants."""
    lines = [_HEAD.format(version=VERSION, alignment=ALIGNMENT)]
    lines.append(f'#define PREWARP_MAGIC "{MAGIC.decode()}"')
    for name, value in _HEAD_VALUES.items():
        lines.append(f"#define PREWARP_{name} {value}u")
    lines.append("\n/* Sections, in their order. */")
    lines += [f"#define PREWARP_SECTION_{name.upper()} {place}u" for place, (name, _) in enumerate(SECTIONS)]
    for record in RECORDS:
        lines.append(f"\n/* {record.meaning}. */")
        lines.append(f"#define PREWARP_{record.name.upper()}_BYTES {record.byte_count}u")
        for entry in record.entries:
            if entry.name.startswith(RESERVED):
                continue
            place = record.offset(entry.name)
            name, unit = f"{record.name}_{entry.name}".upper(), f", {entry.unit}" if entry.unit else ""
            lines.append(f"#define PREWARP_{name} {place}u /* {_kind(entry)}{unit}: {entry.meaning} */")
    lines.append("\n/* Formats of numbers. */")
    lines += [f"#define PREWARP_{form.name} {int(form)}u" for form in Format]
    lines.append("\n/* Families of maps. */")
    lines += [f"#define PREWARP_FAMILY_{family.name} {int(family)}u" for family in tables.Family]
    lines.append("\n/* Codes of Chebyshev terms: bits of what stands before them, runs, widths. */")
    for name, bits in (("DEGREE", DEGREE_BITS), ("CHOICE", CHOICE_BITS), ("WIDTH", WIDTH_BITS)):
        lines.append(f"#define PREWARP_TERM_{name}_BITS {bits}u")
    lines += [f"#define PREWARP_TERM_RUN {RUN}u", f"#define PREWARP_TERM_ZEROS {ZEROS}u"]
    lines += [f"#define PREWARP_TERMS_{choice.name} {int(choice)}u" for choice in Choice]
    lines.append(f"#define PREWARP_TERM_WIDTHS {{{', '.join(map(str, WIDTHS))}}}")
    lines.append("\n/* Limits that every blob keeps. */")
    lines += [f"#define PREWARP_{name} {value}u" for name, value in _LIMITS.items()]
    for name, real in _REALS.items():
        bits = int(np.float32(real).view(np.uint32))
        lines.append(f"#define PREWARP_{name} {real!r}f")
        lines.append(f"#define PREWARP_{name}_BITS 0x{bits:08X}u")
    lines.append("\n#endif\n")
    return "\n".join(lines)


def layout_table() -> str:
    """Return the layout for people, as Markdown."""
    lines = [
        f"# Layout of a lookup blob, version {VERSION}",
        "",
        (
            "Little-endian throughout. Header, section table, then the sections in the order below, each "
            f"at a multiple of {ALIGNMENT} bytes with zeros between and after. CRC-32 is that of IEEE 802.3 "
            "(check value 0xCBF43926)."
        ),
        "",
        "| section | holds |",
        "|---|---|",
    ]
    for place, (name, record) in enumerate(SECTIONS, start=1):
        what = (
            f"records `{record.name}`" if record else "numbers of all blocks, each at a multiple of 4 bytes"
        )
        lines.append(f"| {place} {name} | {what} |")
    for record in RECORDS:
        lines += ["", f"## {record.name} ({record.byte_count} bytes)", "", f"{record.meaning}.", ""]
        lines += ["| byte | entry | kind | unit | meaning |", "|---|---|---|---|---|"]
        for entry in record.entries:
            place = record.offset(entry.name)
            lines.append(f"| {place} | {entry.name} | {_kind(entry)} | {entry.unit} | {entry.meaning} |")
    lines += ["", *_EVALUATION]
    return "\n".join(lines) + "\n"


def _kind(entry: Entry) -> str:
    return entry.kind if entry.count == 1 else f"{entry.kind} x {entry.count}"


_EVALUATION = """\
## How numbers become a map

- Panel point (u, v) in px: s = (2 u - width) / width, t = (2 v - height) / height, both -1 to 1; v runs down.
- Pupil (x, y, z) in mm, moved into the eye box, each axis scaled to -1 to 1 over it. Pupil functions are
  products T_a(x) T_b(y) T_c(z) of Chebyshev polynomials by total degree, then by rising c, then by rising b.
- Direction (tx, ty): tangents X/Z, Y/Z; +x to the wearer's right, +y up, +z forward.
- Chebyshev terms (family 1): one block of bytes, none where there are no terms. Whole numbers of any width,
  lowest bit first, one after another. Rows in turn, tx with each pupil function, then ty: 1 bit, 0: the row
  has no codes. Else 6 bits, its highest degree; 2 bits, which panel functions it has: 0 those with even j, 1
  with odd j, 2 those with even j, then those with odd j. Of even j, and of odd j, all up to that degree, by
  total degree i + j, then by rising j, in runs of eight, the last shorter: 4 bits w, then the codes of the
  run, as wide as entry w of 0, 2, 3, .. 13, 16, 20, 25 bits; two's complement, never the lowest; of no bits:
  0. Zeros to the end of the last byte, then seven bytes of zeros, so that eight bytes can be read from any
  bit before. Panel functions are T_i(s) T_j(t). Direction = sum of scale x code x pupil function x panel
  function.
- Mesh with modes (2): block 0 holds the pupil polynomials of the modes, then one block per mode: columns x
  rows x (tx, ty), column slowest. Coefficient = plane at its place + sum over modes of weight x scale x code.
- B-spline: uniform cubic; node 0 lies on the panel's edge, coefficient 0 one node before it.
- A map with a base is added to that map's coefficients.
- 12-bit codes: two in three bytes: low 8 bits of the first, its high 4 and the low 4 of the second, the rest.
- From direction to panel point: Newton's method on the same map.

## How numbers become light

- Plane of angles: a direction's angle from straight ahead, in degrees, along its azimuth.
- Claims r of all channels: uniform cubic B-splines of the codes; column 1 and row 1 lie at the origin, one
  pitch from the next; places before column 1 and past the last but one are moved there; below 0 counts as 0.
- Weight of a channel: (r + least) over the sum of the same of all channels that are lit; 0 where it is not.
- Lit: in every map of the channel the direction is within the border, and its ray lit in all regions of the
  border. Border: points (u, v) = code / 65535 of the panel's size, seen from the pupil and joined by straight
  lines of tangents; they turn one way around the middle's direction.
- Ray: s, t of the panel point (regions: found from the direction), x0 = x - z tx and y0 = y - z ty, each less
  the centre, over the half size.
- Region: sum of code x T_a(s) T_b(t) T_c(x0) T_d(y0) above 0; terms by total degree, then by rising d, then
  c, then b, those with c + d above the pupil degree left out.
- Gain: exponential of sum of scale x code x T_a(s) T_b(t) T_c(x0) T_d(y0); panel functions by total degree,
  then by rising b, for each the pupil functions likewise; s, t, x0, y0 held to -1 to 1.
- Drive of a panel pixel: weight x gain, for linear light, at most 1.
""".splitlines()
