"""`prewarp module`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, PanelSize, require_output_file
from prewarp.cli.examples import EXAMPLES, example_files
from prewarp.cli.talk import Talk, talking
from prewarp.errors import InputFileError
from prewarp.files import write_text
from prewarp.grids import read_grid
from prewarp.module import EYES, read_module
from prewarp.module_file import (
    KEY_TABLES,
    LAYOUTS,
    ModuleSummary,
    NewModule,
    key_rows,
    module_text,
    start_module,
    suggest_module,
    summarise,
)

_EYES = {"left": ("left",), "right": ("right",), "both": EYES}
_COLOURS = {"rgb": ("R", "G", "B"), "mono": ("G",)}
# Options that a grid answers, and all that mean nothing without --new.
_OF_A_GRID = ("channels", "layout", "colors")
_NEW_ONLY = ("grid_path", "example", "output", "eyes", *_OF_A_GRID, "panel_size_px", "name")


class _WithKeys(click.Command):
    """A command whose help ends with the table of keys."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the keys, made from the records that read them."""
        for table in KEY_TABLES:
            heading = table.heading or "Keys at the top of a module file"
            extra = ", ".join(part for part in ("optional" if table.optional else "", table.says) if part)
            with formatter.section(f"{heading}{f'  ({extra})' if extra else ''}"):
                formatter.write_dl(
                    [
                        (name, f"{means}; {accepted}{f'; default: {default}' if default else ''}")
                        for name, accepted, default, means in key_rows(table)
                    ]
                )


@click.command(cls=_WithKeys)
@click.argument("module_path", metavar="[FILE]", type=FILE, required=False)
@click.option("--new", is_flag=True, help="Write a commented module file to start from.")
@click.option(
    "--from",
    "grid_path",
    type=FILE,
    metavar="GRID",
    help="With --new: take names, reach, eye box and mirroring from a grid, and size the content to fit.",
)
@click.option(
    "--example",
    type=click.Choice(EXAMPLES),
    help="With --new: write an example display, with its design and a simulated camera beside it.",
)
@click.option(
    "-o", "--output", type=FILE, help="File to write with --new; an existing file is never overwritten."
)
@click.option(
    "--eyes",
    type=click.Choice(tuple(_EYES)),
    help="Eyes of the display [default: right, or what the names of a grid's channels say].",
)
@click.option(
    "--channels", type=click.IntRange(1, 2), default=2, show_default=True, help="Channels for each eye."
)
@click.option(
    "--layout",
    type=click.Choice(LAYOUTS),
    default=LAYOUTS[0],
    show_default=True,
    help="How the two channels of an eye lie.",
)
@click.option(
    "--colors",
    type=click.Choice(tuple(_COLOURS)),
    default="rgb",
    show_default=True,
    help="Colours of the panels.",
)
@click.option(
    "--panel",
    "panel_size_px",
    type=PanelSize(),
    help="Panel size, px [default: 2560x2048 as an example, or what holds the grid's samples].",
)
@click.option("--name", default="new display", show_default=True, help="What the display is called.")
@talking
@click.pass_context
def module(
    ctx: click.Context,
    talk: Talk,
    module_path: Path | None,
    new: bool,
    grid_path: Path | None,
    example: str | None,
    output: Path | None,
    eyes: str | None,
    channels: int,
    layout: str,
    colors: str,
    panel_size_px: tuple[int, int] | None,
    name: str,
) -> None:
    """Check a module file and say what it holds, or write a new one.

    All mistakes of a file are listed at once, a line each. A new file holds usual values, and a comment
    beside each key says what it accepts. It can be used as it is; the command asks nothing.

    \b
    Examples:
      prewarp module visor.toml
      prewarp module --new -o visor.toml
      prewarp module --new --eyes both --layout stacked --colors mono -o visor.toml
      prewarp module --new --from capture.csv -o visor.toml
      prewarp module --new --example folded -o visor.toml
    """
    if not new:
        _refuse(ctx, _NEW_ONLY, "is for a new module file; say --new as well.")
        if module_path is None:
            raise click.UsageError(
                "Missing argument 'FILE'. Name a module file, or write one: --new -o FILE.", ctx
            )
        found = summarise(read_module(module_path))
        _tell(talk, found)
        talk.json(found.as_dict())
        return
    if module_path is not None:
        raise click.UsageError(f"--new reads no file; name the one to write: -o {module_path}.", ctx)
    if output is None:
        raise click.UsageError("Missing option '-o' / '--output': the module file to write.", ctx)
    if grid_path is not None:
        _refuse(ctx, _OF_A_GRID, f"is told by the grid, {grid_path}; leave it out, or leave out --from.")
    require_output_file(output, grid_path)
    if example is not None:
        _refuse(ctx, ("grid_path", "eyes", *_OF_A_GRID, "panel_size_px", "name"), "is told by the example.")
        files = example_files(example, output)
    else:
        files = {output: ""}
    for path in files:
        if path.exists():
            raise InputFileError(
                f"{path}: is there already, and may hold what somebody wrote. Name another file.",
                path=str(path),
            )
    if example is not None:
        for path, text in files.items():
            write_text(path, text)
        found = summarise(read_module(output))
        _tell(talk, found)
        design, camera = list(files)[1:]
        talk.text(
            f"{output}: written, with its design ({design}) and a camera to simulate ({camera}). Next: "
            f"prewarp targets {output} -o targets, or without photographs prewarp trace {design} {output} "
            "-o capture.csv"
        )
        talk.json(found.as_dict())
        return
    made = _made(grid_path, eyes, channels, layout, colors, panel_size_px, name)
    write_text(output, module_text(made))
    found = summarise(read_module(output))
    for line in made.head:
        talk.note(line)
    _tell(talk, found)
    talk.text(f"{output}: written. Edit it, then: prewarp module {output}")
    talk.json(found.as_dict())


def _made(
    grid_path: Path | None,
    eyes: str | None,
    channels: int,
    layout: str,
    colors: str,
    panel_size_px: tuple[int, int] | None,
    name: str,
) -> NewModule:
    if grid_path is not None:
        whose = _EYES[eyes] if eyes else ()
        return suggest_module(read_grid(grid_path), eyes=whose, panel_px=panel_size_px, name=name)
    size = {} if panel_size_px is None else {"panel_px": panel_size_px}
    return start_module(
        eyes=_EYES[eyes or "right"],
        channels=channels,
        layout=layout,
        colours=_COLOURS[colors],
        name=name,
        **size,
    )


def _refuse(ctx: click.Context, names: tuple[str, ...], why: str) -> None:
    """Raise where one of these options was given."""
    given = [
        max(parameter.opts, key=len)
        for parameter in ctx.command.params
        if parameter.name in names
        and ctx.get_parameter_source(parameter.name) == click.core.ParameterSource.COMMANDLINE
    ]
    if given:
        raise click.UsageError(f"{given[0]} {why}", ctx)


def _tell(talk: Talk, found: ModuleSummary) -> None:
    head = ("channel", "eye", "panel, px", "codes", "reach x, degrees", "reach y", "px per degree", "scan")
    talk.table(found.module.name, head, [("", found.rows)], text_columns=2)
    talk.text(*found.lines())
