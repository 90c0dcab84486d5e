"""`prewarp line`: the group of commands about many units of one design; each in a file `line_NAME.py`."""

import click

from prewarp.cli.lazy import LazyGroup

# In the order of the work.
COMMANDS = {
    "family": "Say beforehand how units of a design differ.",
    "positions": "Say where cameras should stand, and how many.",
    "run": "Say what every unit is, from few camera positions.",
    "capability": "Say how capable and steady a line is, and what drifts.",
    "gauge": "Say how much of a spread is the gauge's own.",
}


@click.group(cls=LazyGroup, summaries=COMMANDS, prefix="line_")
def line() -> None:
    """A production line: many units of one design.

    Each command has its own --help with an example.
    """
