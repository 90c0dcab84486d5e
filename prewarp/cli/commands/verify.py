"""`prewarp verify`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE
from prewarp.cli.builds import build_of_package
from prewarp.cli.talk import Talk, number, talking
from prewarp.export.verify import Check, VerifyResult, verify_package

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
    along. The C evaluator is compiled where there is a compiler.

    Exit code 0: all is well; 1: something is wrong, see the table; 2: this is no package.

    \b
    Example:
      prewarp verify visor_package
    """
    with talk.progress(f"verifying {package_path.name}") as step:
        build = None if fit_path is None else build_of_package(package_path, fit_path)
        result = verify_package(package_path, build=build, progress=lambda text: step(text, 0))
    print_checks(talk, f"{package_path}", result)
    talk.json(result.as_dict())
    if result.ok:
        talk.text(f"{package_path}: {len(result.checks)} checks, all good.")
        return 0
    talk.text(f"{package_path}: {len(result.failures)} of {len(result.checks)} checks FAILED. Do not use it.")
    return FAILED


def print_checks(talk: Talk, title: str, result: VerifyResult, /) -> None:
    """Print what was checked: of each kind the row nearest to its limit, and every row that is wrong."""
    shown: dict[tuple[str, str], Check] = {}
    counts: dict[tuple[str, str], int] = {}
    for check in result.checks:
        key = check.artefact, check.what
        counts[key] = counts.get(key, 0) + 1
        if key not in shown or _nearness(check) > _nearness(shown[key]):
            shown[key] = check
    rows = [_row(check, counts[key]) for key, check in shown.items()]
    rows += [_row(check, 1) for check in result.failures if check not in shown.values()]
    talk.table(title, ("artefact", "of", "worst found", "checks", "verdict"), [("", rows)], text_columns=3)


def _row(check: Check, count: int) -> tuple[str, ...]:
    found = check.note
    if check.error is not None:
        claimed = "nothing" if check.limit is None else number(check.limit, 3)
        found = f"{number(check.error, 3)} {check.unit}, claimed {claimed}"
        found += f" ({check.subject})" if check.subject else ""
    return check.artefact, check.what, found, str(count), "good" if check.ok else "WRONG"


def _nearness(check: Check) -> float:
    if not check.ok:
        return float("inf")
    return 0.0 if check.error is None or not check.limit else check.error / check.limit
