"""How the checks of a package are told: `export` and `verify` print the same table."""

from prewarp.cli.talk import Talk, number
from prewarp.export.verify import Check, VerifyResult


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
