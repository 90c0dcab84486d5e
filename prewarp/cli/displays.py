"""What commands about a fit and its module share: reading both, which eye, and what the capture allows."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click
from numpy.typing import ArrayLike

from prewarp.cli.talk import Talk
from prewarp.eye import Eye
from prewarp.field import FieldSet, NotKnown, outside_capture, require_captured
from prewarp.module import EYES, DisplayModule, read_module
from prewarp.seam import survey_gaps

# Every eye that the module has.
BOTH = "both"
SIDES = (*EYES, BOTH)


def _one_or_every(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    return None if value == BOTH else value


eye_option = click.option(
    "--eye",
    "side",
    type=click.Choice(SIDES),
    callback=_one_or_every,
    help="One eye only, or both: every eye of the module [default: both].",
)

extrapolate_option = click.option(
    "--extrapolate",
    is_flag=True,
    help="Continue where pupil positions lie far outside the captured ones; figures there are guesses.",
)


feather_option = click.option(
    "--feather",
    "feather_deg",
    type=click.FloatRange(0.1, 90.0),
    help="Width of the blend (feather), degrees [default: the widest that fits].",
)


def read_display(fit_path: Path, module_path: Path, /) -> tuple[FieldSet, DisplayModule]:
    """Read a fit and the description of its module."""
    return FieldSet.load(fit_path), read_module(module_path)


def channels_in(fields: FieldSet, module: DisplayModule, side: str | None = None, /) -> list[str]:
    """Return the channels of a module, or of one of its eyes, that the fit has."""
    sides = module.eyes if side is None else (side,)
    names = [channel.name for one in sides for channel in module.channels_of(one)]
    return [name for name in names if name in fields.channels]


def no_seam(eye: Eye, /) -> str:
    """Return the sentence that stands where figures of a seam would."""
    return f"{eye.name}: one channel, '{eye.channels[0]}'; there is no seam."


def say_gaps(talk: Talk, eye: Eye, pupils_mm: ArrayLike, /) -> list[dict[str, Any]]:
    """Return what no channel of an eye lights from pupil positions (n, 3), mm, for machines, and say it."""
    gaps = survey_gaps(eye.seam, pupils_mm)
    talk.text(*(f"{eye.name}: {text}" for one in gaps if (text := one.sentence())))
    return [one.as_dict() for one in gaps]


def within_capture(
    talk: Talk,
    fields: FieldSet,
    channels: Sequence[str],
    pupils_mm: ArrayLike,
    /,
    *,
    extrapolate: bool,
    tangent: ArrayLike | None = None,
) -> list[dict[str, Any]]:
    """Return the pupils farthest outside what was captured, for machines, and say them; none: all inside.

    Raises
    ------
    ExtrapolationError
        One lies beyond half a spacing of captured positions, and `extrapolate` does not ask for it.
    """
    found = outside_capture(fields, channels, pupils_mm, tangent=tangent)
    if not extrapolate:
        require_captured(found)
    for one in found:
        talk.note(f"{one.text()}: extrapolated.")
    return [one.as_dict() for one in found]


def say_not_known(talk: Talk, missing: Iterable[NotKnown], /) -> list[dict[str, str]]:
    """Say what is not known, and return it for machines."""
    missing = list(missing)
    talk.text(*(one.text() for one in missing))
    return [one.as_dict() for one in missing]
