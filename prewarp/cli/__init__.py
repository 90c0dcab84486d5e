"""The commands. Each file holds one: read the arguments, call one library function, print what it returns."""

from prewarp.cli.check import check
from prewarp.cli.compare import compare
from prewarp.cli.demo import demo
from prewarp.cli.export import export
from prewarp.cli.film import film
from prewarp.cli.fit import fit
from prewarp.cli.group import main
from prewarp.cli.preview import preview
from prewarp.cli.render import render
from prewarp.cli.trace import trace

for _command in (demo, check, fit, compare, trace, render, preview, film, export):
    main.add_command(_command)

__all__ = ["main"]
