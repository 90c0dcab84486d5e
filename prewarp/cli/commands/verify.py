"""`prewarp verify`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE
from prewarp.cli.checks import print_checks
from prewarp.cli.talk import Talk, talking
from prewarp.export.verify import verify_package
from prewarp.field import FieldSet

FAILED = 1


@click.command()
@click.argument("package_path", metavar="PACKAGE", type=FILE)
@click.option(
    "--fit", "fit_path", type=FILE, help="Also hold the package's own reference points to this fit."
)
@talking
def verify(talk: Talk, package_path: Path, fit_path: Path | None) -> int:
    """Check a package that 'prewarp export' wrote: nothing missing, nothing changed, everything does what the
    fit says.

    Sizes and hashes of all files; every table, mesh and shader is read back, run where this machine can, and
    compared with what the fit says at random panel points and pupil positions, which the package brings
    along. What is measured is judged by what was asked for when it was exported (--max-error, --max-light),
    never by what was measured then. The C evaluator is compiled where there is a compiler.

    Exit code 0: all is well; 1: something is wrong, see the table; 2: this is no package.

    \b
    Example:
      prewarp verify visor_package
    """
    with talk.progress(f"verifying {package_path.name}") as step:
        fields = None if fit_path is None else FieldSet.load(fit_path)
        result = verify_package(package_path, fields=fields, progress=lambda text: step(text, 0))
    print_checks(talk, f"{package_path}", result)
    talk.json(result.as_dict())
    if result.ok:
        judged = sum(check.ok is not None for check in result.checks)
        told = len(result.checks) - judged
        more = f" {told} more figures are told, not judged." if told else ""
        talk.text(f"{package_path}: {judged} checks, all good.{more}")
        return 0
    talk.text(f"{package_path}: {len(result.failures)} of {len(result.checks)} checks FAILED. Do not use it.")
    return FAILED
