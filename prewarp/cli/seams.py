"""What the commands about the seam share: which eyes, their channels, seams and overlaps."""

from collections.abc import Iterator
from dataclasses import dataclass

import click

from prewarp.field import FieldSet
from prewarp.module import DisplayModule
from prewarp.seam import Overlap, Seam, build_seam, overlaps
from prewarp.seam.overlap import OVERLAP_STEP_DEG

eye_option = click.option(
    "--eye", type=click.Choice(("left", "right")), help="One eye only [default: every eye of the module]."
)


@dataclass(frozen=True)
class EyeSeam:
    """One eye of a module: its channels' names, their seam over the whole eye box, and the overlaps in it."""

    eye: str
    channels: tuple[str, ...]
    seam: Seam
    overlaps: tuple[Overlap, ...]


def eye_seams(
    fields: FieldSet, module: DisplayModule, eye: str | None, /, *, step_deg: float = OVERLAP_STEP_DEG
) -> Iterator[EyeSeam]:
    """Yield the eyes asked for, built one after the other; overlaps on a lattice of `step_deg`."""
    if eye is not None and eye not in module.eyes:
        raise click.UsageError(f"the module has no channel for the {eye} eye.")
    for one in module.eyes if eye is None else (eye,):
        names = tuple(channel.name for channel in module.channels_of(one))
        seam = build_seam(fields, pupils_mm=module.eye_box.corners, channels=names)
        yield EyeSeam(one, names, seam, overlaps(seam, step_deg=step_deg))
