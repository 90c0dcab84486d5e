"""Kinds of arguments that several commands share."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import InputFileError
from prewarp.files import remove_abandoned_files, require_file_name
from prewarp.pupils.needed import WANTED_PX
from prewarp.render.choices import CHOICES

LARGEST_PANEL_PX = 32768


class PanelSize(click.ParamType[tuple[int, int]]):
    """WIDTHxHEIGHT, px."""

    name = "WIDTHxHEIGHT"
    range_text = f"16 to {LARGEST_PANEL_PX} px"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Return (width, height)."""
        if isinstance(value, tuple):
            return value
        parts = value.lower().split("x")
        if len(parts) != 2 or not all(part.isascii() and part.isdigit() for part in parts):
            self.fail(
                f"{value!r} is not a size; expected width x height in px, such as 2560x2560.",
                param,
                ctx,
            )
        width, height = (int(part) for part in parts)
        if not (16 <= width <= LARGEST_PANEL_PX and 16 <= height <= LARGEST_PANEL_PX):
            self.fail(f"{value!r}: expected 16 to {LARGEST_PANEL_PX} px both ways.", param, ctx)
        return width, height


class PictureSize(PanelSize):
    """WIDTHxHEIGHT of a picture or window, px."""

    range_text = "64 to 8192 px"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Return (width, height), 64 to 8192 px each."""
        size = super().convert(value, param, ctx)
        if not all(64 <= length <= 8192 for length in size):
            self.fail(f"{value!r}: expected 64 to 8192 px both ways.", param, ctx)
        return size


class PupilPosition(click.ParamType[FloatArray]):
    """x,y,z in mm from the eye-box centre."""

    name = "X,Y,Z"
    range_text = "-100 to 100 each"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> FloatArray:
        """Return (3,) mm."""
        if isinstance(value, np.ndarray):
            return value
        try:
            numbers = np.array([float(part) for part in value.split(",")])
        except ValueError:
            numbers = np.empty(0)
        if numbers.shape != (3,) or not np.all(np.abs(numbers) <= 100.0):
            self.fail(f"{value!r} is not a pupil position; expected x,y,z in mm, such as 3,0,0.", param, ctx)
        return numbers


class Counts(click.ParamType[tuple[int, ...]]):
    """Whole numbers joined by x, such as 5x5x3."""

    def __init__(self, axes: int, largest: int) -> None:
        self.axes, self.largest = axes, largest
        self.name = "x".join("N" * axes)
        self.range_text = f"1 to {largest} each"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, ...]:
        """Return as many counts as there are axes."""
        if isinstance(value, tuple):
            return value
        parts = value.lower().split("x")
        if len(parts) != self.axes or not all(
            part.isascii() and part.isdigit() and len(part) < 9 for part in parts
        ):
            self.fail(
                f"{value!r}: expected {self.axes} counts, such as {'x'.join('5' * self.axes)}.", param, ctx
            )
        counts = tuple(int(part) for part in parts)
        if not all(1 <= count <= self.largest for count in counts):
            self.fail(f"{value!r}: expected 1 to {self.largest} each.", param, ctx)
        return counts


class _Measure(click.ParamType[float]):
    """A number with or without its unit, from `lowest` to `highest`."""

    unit, such_as = "", ""

    def __init__(self, lowest: float, highest: float) -> None:
        self.lowest, self.highest = lowest, highest
        self.name = f"N[{self.unit}]"
        self.range_text = f"{lowest:g} to {highest:g} {self.unit}"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        try:
            number = float(str(value).lower().removesuffix(self.unit))
        except ValueError:
            number = float("nan")
        if not self.lowest <= number <= self.highest:
            low, high = (f"{end:g}{self.unit}" for end in (self.lowest, self.highest))
            self.fail(f"{value!r}: expected {low} to {high}, such as {self.such_as}.", param, ctx)
        return number


class Pixels(_Measure):
    """A length in panel px, such as 0.25px or 0.25."""

    unit, such_as = "px", "0.25px"


class Percent(_Measure):
    """A share in percent, such as 0.5% or 0.5."""

    unit, such_as = "%", "0.5%"


FILE = click.Path(path_type=Path)
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

panel_option = click.option(
    "--panel",
    "panel_size_px",
    type=PanelSize(),
    help="Size of every channel's panel, px; replaces a module file.",
)

wanted_error_option = click.option(
    "--wanted-error",
    "wanted_px",
    type=Pixels(0.001, 100.0),
    default=f"{WANTED_PX:g}px",
    show_default=True,
    help="Error to be kept; the command counts the pupil positions that the field needs for it.",
)

pose_offset_option = click.option(
    "--pose-offset",
    type=click.FloatRange(0.0, 10.0),
    default=0.1,
    show_default=True,
    help="How far a camera may stand off its stated position, mm, 1-sigma per axis.",
)

pose_turn_option = click.option(
    "--pose-turn",
    type=click.FloatRange(0.0, 600.0),
    default=1.0,
    show_default=True,
    help="How far a camera may point off its stated direction, arcmin, 1-sigma about each axis.",
)

gl_option = click.option(
    "--gl",
    type=click.Choice(CHOICES),
    default="auto",
    show_default=True,
    help="auto: a GPU if there is one, else the CPU; egl: OpenGL through EGL or fail; none: the CPU.",
)


def module_option(*, required: bool = False) -> Decorator:
    """Return the option --module."""
    return click.option(
        "--module", "module_path", type=FILE, required=required, help="Module description (TOML)."
    )


def pupils_option(
    default: str, *, most: int = 33, what: str = "Positions per axis over the eye box."
) -> Decorator:
    """Return the option --pupils: a lattice of pupil positions, at most `most` an axis."""
    return click.option("--pupils", type=Counts(3, most), default=default, show_default=True, help=what)


def picture_option(what: str) -> Decorator:
    """Return the option --picture: `what` is also drawn."""
    return click.option("--picture", type=FILE, help=f"Also draw {what} into this PNG file.")


def output_option(what: str, *, default: Path | None = None) -> Decorator:
    """Return the option -o/--output; required where there is no default."""
    # Not `default=None`: to click that is a default like any other.
    rule: dict[str, Any] = (
        {"required": True} if default is None else {"default": default, "show_default": True}
    )
    return click.option("-o", "--output", type=FILE, help=what, **rule)


def require_output_file(output: Path, /, *inputs: Path | None) -> None:
    """Raise when an output file is a folder, a device or one of the inputs, before the work begins.

    What killed writers of that file left beside it is removed.
    """
    require_file_name(output)
    for path in inputs:
        if path is not None and output.exists() and path.exists() and output.samefile(path):
            raise InputFileError(
                f"{output}: is also an input, which would be lost. Name another output.", path=str(output)
            )
    remove_abandoned_files(output)
