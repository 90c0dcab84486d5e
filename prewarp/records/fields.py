"""Fields of frozen dataclasses that state what they accept.

A field is declared once, `width_px: int = checked(Number(16, 32768, "px", whole=True))`; the rule serves when
the object is made in Python (`validate`) and when it is read from a file (`Table.read`), and words both
errors.
"""

import dataclasses
from collections.abc import Iterator
from typing import Any, ClassVar, Protocol

from prewarp.errors import PrewarpError
from prewarp.records.rules import Rule, shown


class Dataclass(Protocol):
    """Any dataclass."""

    __dataclass_fields__: ClassVar[dict[str, Any]]


def checked(rule: Rule, *, default: object = dataclasses.MISSING, means: str = "") -> Any:
    """Return a dataclass field that accepts what `rule` does; with a default a file may leave it out.

    `means` says in a few words what the entry is; tables of keys are made from it.
    """
    return dataclasses.field(default=default, metadata={"rule": rule, "means": means})


def part() -> Any:
    """Return a dataclass field without a rule: what is made from tables of its own."""
    return dataclasses.field()


def validate(record: Dataclass, error: type[PrewarpError], /) -> None:
    """Check every `checked` field of a frozen dataclass; call it from `__post_init__`."""
    for name, rule, default in ruled_fields(type(record)):
        value = getattr(record, name)
        if value is None and default is None:
            continue
        accepted, reason = rule.accept(value)
        if reason:
            raise error(f"{name} is {shown(value)}{reason}; expected {rule.expected}.", key=name)
        object.__setattr__(record, name, accepted)


def meaning(kind: type[Dataclass], name: str, /) -> str:
    """Return what a `checked` field of this name is said to mean."""
    (found,) = (field for field in dataclasses.fields(kind) if field.name == name)
    return str(found.metadata["means"])


def ruled_fields(kind: type[Dataclass], /) -> Iterator[tuple[str, Rule, object]]:
    """Yield name, rule and default of every `checked` field."""
    for field in dataclasses.fields(kind):
        if "rule" in field.metadata:
            yield field.name, field.metadata["rule"], field.default
