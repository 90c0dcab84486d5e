"""`prewarp line capability`."""

from collections.abc import Iterable
from pathlib import Path

import click

from prewarp.cli.arguments import FILE, module_option, output_option
from prewarp.cli.talk import Talk, number, talking
from prewarp.errors import GridError
from prewarp.files import json_text, write_bytes, write_text
from prewarp.folders import output_folder, require_output_folder
from prewarp.module import read_module
from prewarp.quality.capability import Limits
from prewarp.quality.line_report import LineReport, line_report
from prewarp.quality.units_table import MEANINGS, read_meanings, read_units
from prewarp.wording import counted


class NamedNumber(click.ParamType[tuple[str, float]]):
    """NAME=NUMBER."""

    name = "NAME=NUMBER"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, float]:
        """Return the name and the number."""
        if isinstance(value, tuple):
            return value
        name, sign, text = str(value).partition("=")
        try:
            found = float(text)
        except ValueError:
            found = float("nan")
        if not (name and sign and abs(found) < float("inf")):
            self.fail(f"{value!r}: expected a column and a number, such as place_px=0.5.", param, ctx)
        return name, found


@click.command()
@click.argument("table_path", metavar="TABLE", type=FILE)
@module_option()
@click.option(
    "--limit",
    "--upper",
    "upper",
    type=NamedNumber(),
    multiple=True,
    help="Upper limit of a column; adds to those of the module file, or replaces one of them.",
)
@click.option("--lower", type=NamedNumber(), multiple=True, help="Lower limit of a column.")
@output_option("Folder to write: capability.png, control.png, modes.png, capability.json.")
@talking
def capability(
    talk: Talk,
    table_path: Path,
    module_path: Path | None,
    upper: tuple[tuple[str, float], ...],
    lower: tuple[tuple[str, float], ...],
    output: Path,
) -> None:
    """Say how well a line keeps its limits (capability), whether it is steady, and what drifts.

    TABLE (CSV or Parquet) is what 'prewarp line run' writes: one row per unit with serial, status, reason,
    the figures and their sigma, and modes. The command writes a sheet with yield, failing limits and
    capability, control charts of single values, and the modes over the order of serials.

    Cp, Cpk, Pp, Ppk and Cpm each have a 95 % interval and the number of units; those that need two limits are
    left out where there is only one. They assume a normal law, which is tested. Yield has the interval of
    Clopper and Pearson. Run rules are stated in words.

    \b
    Example:
      prewarp line capability units.parquet --module visor.toml -o capability
    """
    require_output_folder(output)
    given = {} if module_path is None else _of_module(module_path)
    named = [name for name, _ in (*upper, *lower)]
    units = read_units(table_path, figures=[*given, *named])
    # A limit of the module that the table holds no figure for is told, one that was asked for is an error.
    missing = [name for name in given if name not in units.figures and name not in named]
    limits = {name: Limits(None, one) for name, one in given.items() if name not in missing}
    for name in dict.fromkeys(named):
        units.figure(name)
        own = limits.get(name)
        high = dict(upper).get(name, None if own is None else own.upper)
        limits[name] = Limits(dict(lower).get(name), high)
    if missing and not limits:
        raise GridError(
            f"{table_path}: holds none of {', '.join(missing)}, which the module limits. Give the "
            "line's table."
        )
    found = line_report(units, limits, meanings=read_meanings(table_path.with_name(MEANINGS)))
    figures = {"table": table_path.name, "not_in_table": missing, **found.as_dict()}
    with talk.progress("drawing") as step, output_folder(output) as folder:
        # The plot library is slow to import; it is loaded only where it is used.
        from prewarp.report.line import line_pictures

        for name, picture in line_pictures(found, title=table_path.name):
            step(name, 0)
            write_bytes(folder / name, picture)
        write_text(folder / "capability.json", json_text(figures))
    _print(talk, found)
    for name in missing:
        talk.text(f"{name.replace('_', ' ')}: not known: needs a column '{name}' in the table.")
    talk.text(*found.sentences(), f"{output}: written.")
    talk.json(figures)


def _of_module(path: Path) -> dict[str, float]:
    limits = read_module(path).limits
    values = {name: getattr(limits, name) for name in limits.__dataclass_fields__}
    return {name: float(one) for name, one in values.items() if one is not None}


def _print(talk: Talk, found: LineReport) -> None:
    talk.text(f"yield of {counted(len(found.units), 'unit')}: {found.yield_share}")
    if found.yield_of_judged is not None and found.yield_of_judged.count < len(found.units):
        talk.text(f"yield of those that could be judged: {found.yield_of_judged}")
    rows = []
    for one in found.figures:
        own = one.capability
        if own is None:
            continue
        for index in own.indices:
            rows.append(
                (
                    one.name.replace("_", " "),
                    index.name,
                    f"{index.value:.3f}",
                    f"{index.low:.3f}",
                    f"{index.high:.3f}",
                    str(index.count),
                )
            )
        expected = "-" if own.expected_outside is None else number(100.0 * own.expected_outside, 3)
        rows.append(("", f"outside, % (law); {own.seen_outside} seen", expected, "", "", str(own.count)))
    if rows:
        head = ("figure", "index", "value", "95 % from", "to", "n")
        talk.table("Capability", head, [("", rows)], text_columns=2)
    if found.failing:
        talk.table("What fails", ("", "units", "sum, %"), [("", list(_pareto(found)))])


def _pareto(found: LineReport) -> Iterable[tuple[str, str, str]]:
    for one in found.failing:
        yield one.words, str(one.count), f"{100.0 * one.cumulative:.0f}"
