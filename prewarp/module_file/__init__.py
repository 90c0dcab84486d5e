"""The module file as people meet it: its keys, a new one, one suggested by a grid, a summary."""

from prewarp.module_file.keys import KEY_TABLES, KeyTable, key_rows, keys_as_markdown
from prewarp.module_file.start import LAYOUTS, NewChannel, NewModule, start_module
from prewarp.module_file.suggest import suggest_module
from prewarp.module_file.summary import ModuleSummary, summarise
from prewarp.module_file.text import module_text

__all__ = [
    "KEY_TABLES",
    "LAYOUTS",
    "KeyTable",
    "ModuleSummary",
    "NewChannel",
    "NewModule",
    "key_rows",
    "keys_as_markdown",
    "module_text",
    "start_module",
    "suggest_module",
    "summarise",
]
