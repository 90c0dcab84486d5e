"""What commands about a fit and its module share: reading both, and which eye."""

from pathlib import Path

import click

from prewarp.eye import Eye
from prewarp.field import FieldSet
from prewarp.module import EYES, DisplayModule, read_module

eye_option = click.option(
    "--eye", "side", type=click.Choice(EYES), help="One eye only [default: every eye of the module]."
)


def read_display(fit_path: Path, module_path: Path, /) -> tuple[FieldSet, DisplayModule]:
    """Read a fit and the description of its module."""
    return FieldSet.load(fit_path), read_module(module_path)


def no_seam(eye: Eye, /) -> str:
    """Return the sentence that stands where figures of a seam would."""
    return f"{eye.name}: one channel, '{eye.channels[0]}'; there is no seam."
