"""The command line. `group` holds the commands' table, `commands` one file for each, the other files what
they share.
"""

from prewarp.cli.group import main

__all__ = ["main"]
