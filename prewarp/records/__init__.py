"""Checked records: frozen dataclasses whose fields say what they accept, made in Python or from TOML."""

from prewarp.records.fields import checked, part, validate
from prewarp.records.rules import Choice, Flag, Name, Number, Numbers, Text, shown
from prewarp.records.toml import Table, read_toml

__all__ = [
    "Choice",
    "Flag",
    "Name",
    "Number",
    "Numbers",
    "Table",
    "Text",
    "checked",
    "part",
    "read_toml",
    "shown",
    "validate",
]
