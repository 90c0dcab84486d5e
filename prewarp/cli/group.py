"""The command group `prewarp`: exit codes, and errors as one line instead of a traceback.

Exit codes: 0 fine; 1 a check found errors in a grid; 2 bad input or an output that cannot be written; 130 stopped by the
user; 141 the reader of a pipe went away.
"""

import os
import sys
from collections.abc import Sequence
from typing import Any

import click
from threadpoolctl import threadpool_limits

from prewarp import __version__
from prewarp.errors import PrewarpError

BAD_INPUT = 2
INTERRUPTED = 130
PIPE_CLOSED = 141


class _Group(click.Group):
    """A group that words every foreseeable failure in one line on stderr."""

    def main(self, args: Sequence[str] | None = None, prog_name: str | None = None, **options: Any) -> None:
        """Run a command line and leave the process with its exit code."""
        options["standalone_mode"] = False
        _tolerate_odd_characters()
        try:
            code = super().main(args, prog_name or "prewarp", **options)
        except click.Abort:
            _complain("stopped.")
            sys.exit(INTERRUPTED)
        except click.ClickException as cause:
            context = getattr(cause, "ctx", None)
            hint = f" See '{context.command_path} --help'." if context is not None else ""
            _complain(cause.format_message() + hint)
            sys.exit(BAD_INPUT)
        except PrewarpError as cause:
            _complain(str(cause))
            sys.exit(BAD_INPUT)
        except MemoryError:
            _complain("not enough memory for this input. Use fewer samples or a smaller picture.")
            sys.exit(BAD_INPUT)
        except OSError as cause:
            place = f"{cause.filename}: " if cause.filename else ""
            _complain(
                f"{place}{cause.strerror or cause}. Check the path, its permissions and the free space."
            )
            sys.exit(BAD_INPUT)
        sys.exit(code if isinstance(code, int) else 0)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a reader that closed the pipe (`prewarp ... | head`) ends it quietly."""
        try:
            # Work is spread over channels and slices; small solves are many times slower on two BLAS threads than on one.
            with threadpool_limits(1, user_api="blas"):
                result = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError:
            # What is still buffered has nowhere to go: without this the interpreter complains when it ends.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(PIPE_CLOSED)
        return result


def _tolerate_odd_characters() -> None:
    """Print what a terminal's encoding cannot show as escapes instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _complain(message: str) -> None:
    click.echo(f"prewarp: {' '.join(message.split())}", err=True)


@click.group(
    cls=_Group,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog="Start with 'prewarp demo'. Every command has its own --help with an example.",
)
@click.version_option(__version__, prog_name="prewarp", message="%(prog)s %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """From distortion grids of a tiled see-through near-eye display to one merged picture.

    Check a grid, fit every channel and colour over the eye box, hold the fit against fresh captures, look at the
    picture that the eye sees, and export meshes and shaders.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
