"""What a device must reserve to run the C evaluator: the part of `GUIDE.md` for the firmware engineer.

Memory follows from the package's tables. Code, stack and instructions, which `guide.template.md` tells, were
measured with gcc 12 and QEMU by `tests.long.device_targets`.
"""

from prewarp.chebyshev import count_of_degree
from prewarp.lookup import Lookup
from prewarp.lookup.tables import Family, MapTable

NODES = 65
NUMBER_BYTES = 4
# Codes of Chebyshev terms are added by so many; those too many come to lie behind the last sum.
ADDED_BY = 4
# Of a prepared border besides three for each of its points.
BORDER_NUMBERS = 6


def lent_memory(lookup: Lookup | None, /) -> str:
    """Return the table of memory that a package's tables take on a device, as Markdown."""
    if lookup is None:
        return "The memory that you lend depends on `lookup/lookup.prewarp`, which is not in this package."
    numbers = [_numbers(table) for table in lookup.maps]
    channels = [
        sum(count for count, table in zip(numbers, lookup.maps, strict=True) if table.channel == channel)
        for channel in range(len(lookup.channels))
    ]
    light = sum(3 * (len(border.block.numbers) // 2) + BORDER_NUMBERS for border in lookup.borders)
    rows = (
        (
            "prepared maps: the largest channel; all channels",
            f"{NUMBER_BYTES * max(channels)}; {NUMBER_BYTES * sum(numbers)}",
        ),
        ("light of all channels (`prewarp_light_count`)", f"{NUMBER_BYTES * light}"),
        (f"nodes of {NODES} x {NODES}, per colour", f"{2 * NUMBER_BYTES * NODES**2}"),
    )
    head = "| memory that you lend, this package | bytes |\n|---|---|\n"
    return head + "\n".join(f"| {what} | {size} |" for what, size in rows)


def _numbers(table: MapTable) -> int:
    """Return how many numbers of memory a prepared map takes (`prewarp_coefficient_count`)."""
    if table.family == Family.CHEBYSHEV:
        return 2 * count_of_degree(table.columns - 1) + ADDED_BY - 1
    return 2 * table.columns * table.rows
