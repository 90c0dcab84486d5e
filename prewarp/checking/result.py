"""What a check says: findings with rows and mends, quality figures, as text and as data."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, extent
from prewarp.columns import row_list
from prewarp.errors import GridError
from prewarp.wording import spoken

SEVERITIES = ("error", "warning", "remark")
ROWS_KEPT = 1000  # of each finding, for programs; text shows the first few and the count


@dataclass(frozen=True)
class Size:
    """How large a fault is, as a number and its unit."""

    value: float
    unit: str


@dataclass(frozen=True)
class Region:
    """A part of a panel: lowest and highest u and v, px."""

    u_px: tuple[float, float]
    v_px: tuple[float, float]

    def text(self) -> str:
        """Return "u=... to ... v=... to ... px"."""
        return "u={:.0f} to {:.0f} v={:.0f} to {:.0f} px".format(*self.u_px, *self.v_px)


def region_of(pixel: FloatArray) -> Region:
    """Return the smallest region that holds panel points (n, 2), px."""
    (u_low, v_low), (u_high, v_high) = extent(pixel)
    return Region((float(u_low), float(u_high)), (float(v_low), float(v_high)))


@dataclass(frozen=True)
class Finding:
    """One thing found in a grid.

    Parameters
    ----------
    kind : str
        nan, range, duplicate, conflict, lattice, pupil_lattice, axis, units, channel, color, pupil,
        shot, patch, angles, reach, pupils, fold, outlier, curl, column or layout; advice on the capture:
        pupils_needed, one_plane, few_positions or noise.
    severity : str
        error: a fit would be wrong; warning: a fit can be made but the data deserve a look; remark: for
        information.
    channel, colour : str or None
        Where it applies to one channel or colour.
    rows : tuple of int
        Rows that are blamed: numbers in the file, in rising order, the first `ROWS_KEPT`. Empty where the
        finding blames no row.
    row_count : int
        Count of all rows blamed.
    text, mend : str
        What was found, where; how to mend it.
    pupil_mm : (float, float, float) or None
        The one pupil position it is about, mm from the eye-box centre.
    region : Region or None
        The part of the panel it is about; None where it is all of it, or not about the panel.
    size : Size or None
        How large the fault is, with its unit; None where a size says nothing.
    """

    kind: str
    severity: str
    channel: str | None
    colour: str | None
    rows: tuple[int, ...]
    row_count: int
    text: str
    mend: str
    pupil_mm: tuple[float, float, float] | None = None
    region: Region | None = None
    size: Size | None = None

    def line(self) -> str:
        """Return the finding as one line of text."""
        return f"{self.severity}: {spoken(self.kind)}: {self.sentence()}"

    def sentence(self) -> str:
        """Return where, what and how to mend it, without severity and kind."""
        place = ", ".join(
            part
            for part in (
                f"channel '{self.channel}'" if self.channel else "",
                f"colour '{self.colour}'" if self.colour else "",
                row_list(self.rows, self.row_count) if self.row_count else "",
            )
            if part
        )
        return f"{place + ': ' if place else ''}{self.text} {self.mend}".rstrip()


@dataclass(frozen=True)
class CheckResult:
    """All findings, the worst first, and figures that describe the grid's quality."""

    source: str
    samples: int
    findings: tuple[Finding, ...]
    figures: Mapping[str, object]

    def __repr__(self) -> str:
        told = ", ".join(f"{self.count(kind)} {kind}s" for kind in ("error", "warning", "remark"))
        return f"<check of '{self.source}': {self.samples} samples; {told}>"

    @property
    def passed(self) -> bool:
        """Return whether nothing was found that would make a fit wrong."""
        return not any(finding.severity == "error" for finding in self.findings)

    def of(self, kind: str, severity: str | None = None) -> tuple[Finding, ...]:
        """Return the findings of one kind, and of one severity if given."""
        return tuple(f for f in self.findings if f.kind == kind and severity in (None, f.severity))

    def count(self, severity: str) -> int:
        """Return how many findings have this severity."""
        return sum(finding.severity == severity for finding in self.findings)

    def as_dict(self) -> dict[str, object]:
        """Return plain lists, numbers and text for JSON; units are in the keys, an unknown number is None."""
        return {
            "source": self.source,
            "samples": self.samples,
            "passed": self.passed,
            "errors": self.count("error"),
            "warnings": self.count("warning"),
            "remarks": self.count("remark"),
            "findings": [
                {
                    "kind": f.kind,
                    "severity": f.severity,
                    "channel": f.channel,
                    "color": f.colour,
                    "rows": list(f.rows),
                    "row_count": f.row_count,
                    "text": f.text,
                    "mend": f.mend,
                    "pupil_mm": None if f.pupil_mm is None else list(f.pupil_mm),
                    "region": None
                    if f.region is None
                    else {"u_px": list(f.region.u_px), "v_px": list(f.region.v_px)},
                    "size": None if f.size is None else {"value": f.size.value, "unit": f.size.unit},
                }
                for f in self.findings
            ],
            "figures": _plain(self.figures),
        }

    def lines(self) -> list[str]:
        """Return the result as lines of plain text."""
        head = f"{self.source}: {self.samples} samples; " + ", ".join(
            f"{self.count(s)} {s}{'' if self.count(s) == 1 else 's'}" for s in SEVERITIES
        )
        figures = [
            f"{_FIGURES.get(name, spoken(name))}: {_figure_text(value)}"
            for name, value in self.figures.items()
        ]
        return [head, *(finding.line() for finding in self.findings), *figures]


def require_no_error(source: str, findings: Iterable[Finding], /) -> None:
    """Raise `GridError` for the first error among `findings`, with the count of further ones."""
    errors = [found for found in findings if found.severity == "error"]
    if errors:
        rest = len(errors) - 1
        more = f" {rest} more error{'s' if rest > 1 else ''}: see 'prewarp check'." if rest else ""
        first = errors[0]
        raise GridError(f"{source}: {first.sentence()}{more}", path=source, rows=first.rows, kind=first.kind)


def finding(
    kind: str,
    severity: str,
    text: str,
    mend: str,
    *,
    channel: str | None = None,
    colour: str | None = None,
    rows: Sequence[int] | np.ndarray = (),
    pupil_mm: Sequence[float] | np.ndarray | None = None,
    region: Region | None = None,
    size: tuple[float, str] | None = None,
) -> Finding:
    """Make a `Finding` from all rows concerned: sorted, counted and cut to `ROWS_KEPT`."""
    ordered = np.sort(np.asarray(rows, dtype=np.int64))
    kept = tuple(int(row) for row in ordered[:ROWS_KEPT])
    at = None
    if pupil_mm is not None:
        x, y, z = (float(value) for value in pupil_mm)
        at = (x, y, z)
    measured = None if size is None else Size(float(size[0]), size[1])
    return Finding(kind, severity, channel, colour, kept, len(ordered), text, mend, at, region, measured)


def _plain(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value


# Figures whose keys say less than people need: what the remark on noise tells leaves out the smooth part.
_FIGURES = {
    "noise_px": "scatter about a local fit, px (noise and what the local fit leaves)",
    "curl_noise_arcmin_per_mm": "curl that noise explains, arcmin per mm",
}


def _figure_text(value: object) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{key} {_figure_text(item)}" for key, item in value.items())
    if value is None:
        return "not known"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
