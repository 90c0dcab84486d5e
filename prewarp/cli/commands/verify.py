"""`prewarp verify`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, Percent, Pixels
from prewarp.cli.checks import print_checks
from prewarp.cli.talk import Talk, talking
from prewarp.export.judgement import LARGEST_LIGHT_PERCENT, LEAST_LIGHT_PERCENT
from prewarp.export.signing import read_trusted_key
from prewarp.export.verify import verify_package
from prewarp.field import FieldSet

FAILED = 1


@click.command()
@click.argument("package_path", metavar="PACKAGE", type=FILE)
@click.option(
    "--fit", "fit_path", type=FILE, help="Also compare the package's own reference points with this fit."
)
@click.option(
    "--max-error",
    "limit_px",
    type=Pixels(0.001, 100.0),
    help="Largest error that any artefact may have, whatever the package says was asked for.",
)
@click.option(
    "--max-light",
    "max_light_percent",
    type=Percent(LEAST_LIGHT_PERCENT, LARGEST_LIGHT_PERCENT),
    help="Largest luminance step and ripple across the seam that is accepted, whatever the package says.",
)
@click.option(
    "--trust",
    "key_path",
    type=FILE,
    help="Public Ed25519 key (PEM): the package must be signed with the matching private key.",
)
@talking
def verify(
    talk: Talk,
    package_path: Path,
    fit_path: Path | None,
    limit_px: float | None,
    max_light_percent: float | None,
    key_path: Path | None,
) -> int:
    """Check a package that 'prewarp export' wrote: that nothing is missing, nothing changed, and everything
    does what the fit says.

    The command checks sizes and hashes of all files. It reads back every table, mesh and shader, runs it
    where this machine can, and compares it with what the fit says at random panel points and pupil positions,
    which the package contains. Measured figures are judged by what was asked for at export (--max-error,
    --max-light), never by what was measured then. The C evaluator is compiled if there is a compiler.

    The manifest is compared with its own digest and with the content of the package. That shows damage and
    changes by hand, but someone who makes a package anew can make all digests fit. --trust checks whose
    package it is.

    Exit code 0: all is well; 1: something is wrong, see the table; 2: the folder is no package.

    \b
    Examples:
      prewarp verify visor_package
      prewarp verify visor_package --trust maker.pub.pem --max-error 0.25px
    """
    trust = None if key_path is None else read_trusted_key(key_path)
    with talk.progress(f"verifying {package_path.name}") as step:
        fields = None if fit_path is None else FieldSet.load(fit_path)
        result = verify_package(
            package_path,
            fields=fields,
            max_error_px=limit_px,
            max_light_percent=max_light_percent,
            trust=trust,
            progress=lambda text: step(text, 0),
        )
    print_checks(talk, f"{package_path}", result)
    talk.json(result.as_dict())
    if result.ok:
        judged = sum(check.ok is not None for check in result.checks)
        told = len(result.checks) - judged
        more = f" {told} more figures are reported, not judged." if told else ""
        talk.text(f"{package_path}: {judged} checks, all good.{more}")
        return 0
    talk.text(f"{package_path}: {len(result.failures)} of {len(result.checks)} checks FAILED. Do not use it.")
    return FAILED
