"""A group of commands that are imported when they are asked for, so that starting is quick."""

import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """A group whose commands lie in files of their own.

    `summaries`: what each command does, by name, in the order of the work. The file of a command, in
    `prewarp.cli.commands`, has its name after `prefix`, and holds a function of its name.
    """

    def __init__(
        self, *args: Any, summaries: Mapping[str, str] | None = None, prefix: str = "", **options: Any
    ) -> None:
        super().__init__(*args, **options)
        self.summaries, self.prefix = dict(summaries or {}), prefix

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the work."""
        return list(self.summaries)

    def get_command(self, ctx: click.Context | None, cmd_name: str) -> click.Command | None:
        """Import and return a command."""
        if cmd_name not in self.summaries:
            return None
        module = importlib.import_module(f"prewarp.cli.commands.{self.prefix}{cmd_name}")
        command = getattr(module, cmd_name)
        assert isinstance(command, click.Command)
        for parameter in command.params:
            _tell_range(parameter)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table of commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(self.summaries.items()))


def _tell_range(parameter: click.Parameter) -> None:
    """Let the help of an option say what numbers it takes, where its type is one of ours (`range_text`)."""
    told = getattr(parameter.type, "range_text", None)
    if told is not None and isinstance(parameter, click.Option) and told not in (parameter.help or ""):
        parameter.help = f"{parameter.help}  [{told}]"
