"""Options made from the settings class that they fill: names, ranges, defaults and help stand there alone."""

import dataclasses
import functools
import inspect
import re
from collections.abc import Callable, Mapping
from typing import Any

import click

from prewarp.records import Choice, Number
from prewarp.records.rules import Rule

# Units at the end of a field's name; an option says them in its help instead.
_UNITS = {"mm": "mm", "ms": "ms", "hz": "Hz", "arcmin": "arcmin", "dioptres": "dioptres"}


def settings_options(
    kind: type[Any], into: str, /, *, flags: Mapping[str, str] | None = None
) -> Callable[[Callable[..., Any]], Any]:
    """Return a decorator that gives a command an option for every field of a settings class.

    Parameters
    ----------
    kind : type
        A dataclass of `checked` fields with defaults. A field `noise_mm` becomes `--noise`; the help is the
        first sentence that the "Parameters" of the class say of it.
    into : str
        The command's argument that takes the settings made of the options.
    flags : mapping, optional
        Other names of options, by field.
    """
    help_of = _parameters(inspect.getdoc(kind) or "")
    names = [field.name for field in dataclasses.fields(kind)]

    def decorate(command: Callable[..., Any]) -> Any:
        @functools.wraps(command)
        def with_settings(*args: Any, **values: Any) -> Any:
            chosen = {name: values.pop(f"{into}_{name}") for name in names}
            return command(*args, **{into: kind(**chosen)}, **values)

        wrapped: Any = with_settings
        for field in reversed(dataclasses.fields(kind)):
            stem, _, unit = field.name.rpartition("_")
            name, unit = (stem, f", {_UNITS[unit]}") if unit in _UNITS else (field.name, "")
            option = click.option(
                (flags or {}).get(field.name, f"--{name.replace('_', '-')}"),
                f"{into}_{field.name}",
                type=_type(field.metadata["rule"]),
                default=field.default,
                show_default=field.default is not None,
                help=f"{help_of[field.name]}{unit}.",
            )
            wrapped = option(wrapped)
        return wrapped

    return decorate


def _type(rule: Rule) -> click.ParamType[Any]:
    if isinstance(rule, Choice):
        return click.Choice(rule.words)
    if not isinstance(rule, Number):
        raise TypeError(f"no option takes {rule}")
    return (
        click.IntRange(int(rule.low), int(rule.high)) if rule.whole else click.FloatRange(rule.low, rule.high)
    )


def _parameters(docstring: str) -> dict[str, str]:
    """Return the first sentence, or what stands before a semicolon, that is said of each parameter."""
    part = docstring.partition("Parameters\n----------\n")[2].partition("\n\n")[0]
    entries = re.findall(r"^(\w+) : .*\n((?: {4}.*\n?)+)", part, re.MULTILINE)
    return {name: re.split(r"[.;](?:\s|$)", " ".join(text.split()))[0] for name, text in entries}
