"""How the checks of a package are told: `export` and `verify` print the same table."""

from prewarp.cli.talk import Talk, number
from prewarp.export.judgement import WEIGHT, Check, VerifyResult
from prewarp.export.lookup_files import BLOB

_VERDICTS = {True: "good", False: "WRONG", None: "not judged"}


def print_checks(talk: Talk, title: str, result: VerifyResult, /) -> None:
    """Print what was checked: of each kind the worst row, every row that is wrong, and the worst of all."""
    shown: dict[tuple[str, str], Check] = {}
    counts: dict[tuple[str, str], int] = {}
    for check in result.checks:
        key = check.artefact, check.what
        counts[key] = counts.get(key, 0) + 1
        if key not in shown or check.nearness > shown[key].nearness:
            shown[key] = check
    rows = [_row(check, counts[key]) for key, check in shown.items()]
    rows += [_row(check, 1) for check in result.failures if check not in shown.values()]
    head = ("artefact", "of", "measured, worst of all", "requested", "checks", "verdict")
    talk.table(title, head, [("", rows)], text_columns=4)
    worst = result.worst_place
    if worst is not None:
        told = f"{number(worst.measured, 3)} px ({worst.artefact}, {worst.subject})"
        talk.text(f"Worst place of all: {told}, requested {number(worst.requested, 3)} px.")
    open_rows: dict[str, list[str]] = {}
    for check in shown.values():
        if check.ok is None and check.note:
            open_rows.setdefault(check.note, []).append(f"{check.artefact} {check.what}")
    talk.text(*(f"Not judged ({note}): {'; '.join(names)}." for note, names in open_rows.items()))
    caution = node_weights(result)
    if caution:
        talk.text(caution)


def node_weights(result: VerifyResult, /) -> str:
    """Say that weights of nodes do not keep the light that was asked for, where they do not; else nothing.

    They are told and not judged: between nodes no mesh follows the line where a channel's light ends. Light
    is that of weights which the C evaluator and shaders form direction by direction.
    """
    asked = 0.01 * result.requested.max_light_percent
    off = [
        check
        for check in result.checks
        if check.what == WEIGHT and check.artefact != BLOB and (check.measured or 0.0) > asked
    ]
    if not off:
        return ""
    worst = max(check.measured or 0.0 for check in off)
    kinds = ", ".join(dict.fromkeys(check.artefact for check in off))
    return (
        f"CAUTION: weights in {kinds} files are off by up to "
        f"{number(worst, 2)} of light between nodes, more than the {number(asked, 2)} requested. Take places "
        "from these files, and weights from the C evaluator or the shaders."
    )


def _row(check: Check, count: int) -> tuple[str, ...]:
    found, wanted = check.note, "-"
    if check.measured is not None:
        found = f"{number(check.measured, 3)} {check.unit}"
        found += f" ({check.subject})" if check.subject else ""
    if check.requested is not None:
        wanted = f"{number(check.requested, 3)} {check.unit}"
    return check.artefact, check.what, found, wanted, str(count), _VERDICTS[check.ok]
