"""Checked records: frozen dataclasses whose fields say what they accept, made in Python or from TOML."""

from prewarp.records.fields import Dataclass, checked, meaning, part, ruled_fields, validate
from prewarp.records.problems import Problems, problems_of
from prewarp.records.rules import Choice, Flag, Name, Number, Numbers, Text, shown
from prewarp.records.toml import Table, read_toml

__all__ = [
    "Choice",
    "Dataclass",
    "Flag",
    "Name",
    "Number",
    "Numbers",
    "Problems",
    "Table",
    "Text",
    "checked",
    "meaning",
    "part",
    "problems_of",
    "read_toml",
    "ruled_fields",
    "shown",
    "validate",
]
