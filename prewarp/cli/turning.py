"""Options of commands that draw what is seen while the head turns."""

from collections.abc import Callable
from typing import Any

import click

from prewarp.errors import RenderError
from prewarp.eye import Eye
from prewarp.head import FASTEST_DEG_PER_S, HeadTurn, require_scan


class HeadRate(click.ParamType[tuple[float, float, float]]):
    """yaw,pitch,roll in deg/s, or yaw alone."""

    name = "YAW[,PITCH,ROLL]"
    range_text = f"-{FASTEST_DEG_PER_S:g} to {FASTEST_DEG_PER_S:g} each"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, float]:
        """Return three rates, deg/s."""
        if isinstance(value, tuple):
            return value
        try:
            rates = [float(part) for part in value.split(",")]
        except ValueError:
            rates = []
        if len(rates) not in (1, 3) or not all(abs(rate) <= FASTEST_DEG_PER_S for rate in rates):
            self.fail(
                f"{value!r} is not a head rate; expected yaw,pitch,roll in deg/s, such as 100,0,0, at most "
                f"{FASTEST_DEG_PER_S:g} each.",
                param,
                ctx,
            )
        yaw, pitch, roll = rates if len(rates) == 3 else (rates[0], 0.0, 0.0)
        return yaw, pitch, roll


def turning_options(command: Callable[..., Any]) -> Any:
    """Give a command the options that say how the head turns: `head_rate`, `drawn_for_ms`, `late`."""
    options = (
        click.option(
            "--head-rate",
            type=HeadRate(),
            default="0,0,0",
            show_default=True,
            help="How fast the head turns while panels are lit: yaw to the right, pitch up, roll to the "
            "right shoulder, deg/s; the eye keeps still in the world. Needs the scan of every "
            "panel in the module.",
        ),
        click.option(
            "--drawn-for",
            "drawn_for_ms",
            type=click.FloatRange(-500.0, 500.0),
            default=0.0,
            show_default=True,
            help="Time, after the frame's start, of the head pose that the content is drawn for, ms.",
        ),
        click.option(
            "--late-rotation/--no-late-rotation",
            "late",
            default=True,
            show_default=True,
            help="Turn every line with the head until it is lit.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def require_turn(eye: Eye, head: HeadTurn, /) -> None:
    """Raise `RenderError` where the head turns and a scan of the eye is not known, or by too much."""
    if head.is_still:
        return
    if eye.side is None:
        raise RenderError(
            "a turning head needs the times at which lines are lit, which a module file declares. Name "
            "one with --module."
        )
    for name in eye.channels:
        head.require_small(require_scan(eye.scans[name], name), eye.panels[name].size_px)
