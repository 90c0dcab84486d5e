"""The commands. Each file holds one: read the arguments, call one library function, print what it returns."""

from prewarp.cli.blend import blend
from prewarp.cli.budget import budget
from prewarp.cli.check import check
from prewarp.cli.compare import compare
from prewarp.cli.demo import demo
from prewarp.cli.export import export
from prewarp.cli.eyes import eyes
from prewarp.cli.film import film
from prewarp.cli.fit import fit
from prewarp.cli.focus import focus
from prewarp.cli.group import main
from prewarp.cli.light import light
from prewarp.cli.preview import preview
from prewarp.cli.register import register
from prewarp.cli.render import render
from prewarp.cli.sampling import sampling
from prewarp.cli.sensitivity import sensitivity
from prewarp.cli.trace import trace
from prewarp.cli.verify import verify

for _command in (
    demo,
    check,
    fit,
    compare,
    register,
    blend,
    light,
    sampling,
    focus,
    sensitivity,
    budget,
    eyes,
    trace,
    render,
    preview,
    film,
    export,
    verify,
):
    main.add_command(_command)

__all__ = ["main"]
