"""The command group `prewarp`: exit codes, and errors as one line instead of a traceback.

Exit codes: 0 fine; 1 a check found errors in a grid; 2 bad input or an output that cannot be written; 130
stopped by the user, 143 by TERM (`watching`); 141 the reader of a pipe went away. Commands are imported when
they are asked for, so that starting is quick.
"""

import os
import sys
from collections.abc import Sequence
from typing import Any

import click

from prewarp import __version__
from prewarp.cli.lazy import LazyGroup
from prewarp.errors import PrewarpError
from prewarp.memory import require_addresses

BAD_INPUT = 2
INTERRUPTED = 130
PIPE_CLOSED = 141

# What each does, in the order of the work. The file of a command, in `commands`, has its name.
COMMANDS = {
    "demo": "Take two demo modules from grid to merged picture.",
    "module": "Check a module file, or write one to start from.",
    "targets": "Write target pictures, and the plan of a capture.",
    "photograph": "Take a plan's photographs with a simulated camera.",
    "camera": "Find a camera's focal length, centre and distortion.",
    "extract": "Find dots in photographs of targets; write a grid.",
    "check": "Find what would spoil a fit in a distortion grid.",
    "fit": "Fit every channel and colour over the whole eye box.",
    "compare": "Compare a fit with any other grid, in px and arcmin.",
    "register": "Register channels that were captured apart.",
    "blend": "Compare a fixed seam with one that follows the pupil.",
    "light": "Match luminance and white of the channels at the seam.",
    "sampling": "Say how finely the panels sample the content.",
    "focus": "Say how far away images are; focus step at the seam.",
    "sensitivity": "Say how far channels come apart per mm of pupil.",
    "budget": "Say how accurate and fast an eye tracker must be.",
    "eyes": "Say what a correction adds between the two eyes.",
    "trace": "Trace an optical design to a distortion grid.",
    "render": "Draw panel pictures and what the eye sees of them.",
    "preview": "Look at the seam while the eye moves, in a window.",
    "film": "Film what the eye sees while the pupil moves.",
    "export": "Write a device package: tables, C, meshes, shaders.",
    "report": "Write all that is known of a display into one page.",
    "verify": "Check a package that 'prewarp export' wrote.",
    "accept": "Judge a unit: a fresh capture against its package.",
    "line": "Follow a production line: many units of one design.",
}


class _Group(LazyGroup):
    """A group that words every foreseeable failure in one line on stderr."""

    def main(self, args: Sequence[str] | None = None, prog_name: str | None = None, **options: Any) -> None:  # type: ignore[override]
        """Run a command line and leave the process with its exit code."""
        options["standalone_mode"] = False
        _tolerate_odd_characters()
        # Work is spread over channels and slices; small solves are many times slower on two BLAS threads than
        # on one. Read when numpy is imported, which no command has done yet.
        for threads in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
            os.environ.setdefault(threads, "1")
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
            for line in str(cause).split("\n") if "problems" in cause.fields else (str(cause),):
                _complain(line)
            sys.exit(BAD_INPUT)
        except MemoryError:
            _complain(
                "not enough memory for this input. Use fewer samples or a smaller picture (--size, --width)."
            )
            sys.exit(BAD_INPUT)
        except RuntimeError as cause:
            # A thread that could not begin, or a process of several that the system ended.
            if "start new thread" not in str(cause) and type(cause).__name__ != "BrokenProcessPool":
                raise
            why = "Most likely there is not enough memory for this input, or for so many --jobs."
            _complain(f"{str(cause).rstrip('.')}. {why}")
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
        require_addresses()
        try:
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
    summaries=COMMANDS,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog="Start with 'prewarp demo'. Every command has its own --help with an example.",
)
@click.version_option(__version__, prog_name="prewarp", message="%(prog)s %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Turn distortion grids of a tiled see-through near-eye display into one merged picture.

    Describe the display, check a grid, fit every channel and colour over the eye box, compare the fit with
    fresh captures, look at the picture that the eye sees, and export tables, meshes and shaders.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
