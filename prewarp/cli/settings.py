"""Options that follow from the settings class they fill: its fields say range, unit and default."""

import dataclasses
import functools
from collections.abc import Callable
from typing import Any

import click


def settings_option(kind: type[Any], into: str, /, **texts: str) -> Callable[[Callable[..., Any]], Any]:
    """Give a command an option for each field named, and the settings made of them as its argument `into`.

    Parameters
    ----------
    kind : type
        A dataclass whose fields are `checked` numbers with defaults.
    into : str
        Name of the command's argument.
    texts : str
        By field, in the order of the help: "--flag: what it is"; the unit is added.
    """
    fields = {field.name: field for field in dataclasses.fields(kind)}

    def give(command: Callable[..., Any]) -> Any:
        @functools.wraps(command)
        def with_settings(*args: Any, **values: Any) -> Any:
            chosen = {name: values.pop(f"{into}_{name}") for name in texts}
            return command(*args, **{into: kind(**chosen)}, **values)

        wrapped: Any = with_settings
        for name, text in reversed(texts.items()):
            flag, what = text.split(": ", 1)
            rule = fields[name].metadata["rule"]
            option = click.option(
                flag,
                f"{into}_{name}",
                type=click.IntRange(rule.low, rule.high)
                if rule.whole
                else click.FloatRange(rule.low, rule.high),
                default=fields[name].default,
                show_default=True,
                help=f"{what}, {rule.unit}." if rule.unit else f"{what}.",
            )
            wrapped = option(wrapped)
        return wrapped

    return give
