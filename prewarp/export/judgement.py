"""How a package is judged: by what was asked for, never by what was measured.

The manifest holds the request as it was made. Every check sets what is measured on what was read back beside
what was requested; figures for which nothing was requested are told, and not judged.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass

import numpy as np

from prewarp.checks import require_range
from prewarp.errors import PackageError
from prewarp.export.package_file import JsonObject
from prewarp.export.reached import Reached

LARGEST_ERROR_PX, LEAST_ERROR_PX = 100.0, 1e-6
LARGEST_LIGHT_PERCENT, LEAST_LIGHT_PERCENT = 100.0, 0.01
# Where no feather is asked for, blend weights change no faster than this within one set of lit channels.
GRADIENT_PER_DEG = 1.0
# Of the sum of all blend weights, as the C evaluator forms them, from one.
SUM_ERROR = 1e-6
# What "light" holds: step and ripple of an even picture across the seam, percent of its light; how far the
# sum of all weights is from one; the largest gradient of a weight, per degree, where the set of lit channels
# does not change. The worst of all pupils, eyes and colours, measured from the package's own bytes.
LIGHT_FIGURES = ("step_percent", "ripple_percent", "sum_error", "gradient_per_deg")
LightFigures = Mapping[str, float | None]
# Numbers that went through a file and come out the same: only the order of sums differs.
SAME = 1e-6
# Blobs hold the error of their tables as 32-bit floats, rounded up.
SINGLE = 2.0**-23
LIGHT = "light"
PLACE, WEIGHT, WEIGHT_RMS, AS_WRITTEN = "place", "weight, largest", "weight, RMS", "as written"
_NO_LIGHT = "not measured: this version has nothing that measures light from a package"
_TOLD = "light is judged as a whole, not by weights of single directions"


@dataclass(frozen=True)
class Request:
    """What was asked of a package.

    Parameters
    ----------
    max_error_px : float
        Largest error of every artefact, over panel, eye box and colours, panel px.
    max_light_percent : float
        Largest luminance step and ripple of a uniform field across the seam, percent.
    max_gradient_per_deg : float or None
        Largest gradient of a blend weight; None where a feather was asked for, whose gradient is told.

    Raises
    ------
    PackageError
        A figure that is no number, or out of range.
    """

    max_error_px: float = 0.25
    max_light_percent: float = 0.5
    max_gradient_per_deg: float | None = GRADIENT_PER_DEG

    def __post_init__(self) -> None:
        for name, least, most in (
            ("max_error_px", LEAST_ERROR_PX, LARGEST_ERROR_PX),
            ("max_light_percent", LEAST_LIGHT_PERCENT, LARGEST_LIGHT_PERCENT),
        ):
            require_range(getattr(self, name), name, least, most, error=PackageError)
        if self.max_gradient_per_deg is not None:
            require_range(self.max_gradient_per_deg, "max_gradient_per_deg", 0.0, 1e6, error=PackageError)

    def as_dict(self) -> JsonObject:
        """Return it for the manifest."""
        return asdict(self)

    @classmethod
    def from_dict(cls, found: Mapping[str, object], /) -> "Request":
        """Return what `as_dict` wrote; `PackageError` where it is not that."""
        names = set(cls.__dataclass_fields__)
        if not isinstance(found, Mapping) or set(found) != names:
            raise PackageError(f"the request is {found!r}; expected {', '.join(sorted(names))}.")
        for name, value in found.items():
            known = isinstance(value, int | float) and not isinstance(value, bool)
            if not known and not (value is None and name == "max_gradient_per_deg"):
                raise PackageError(f"{name} is {value!r}; expected a number.")
        return cls(**{name: value for name, value in found.items()})  # type: ignore[arg-type]


@dataclass(frozen=True)
class Check:
    """One row of the result.

    `artefact`, `what` of it; `ok`, None where it is told and not judged; `measured` and `requested` (None
    where not a number), `unit`, `note`; `subject`: channel and colour, where it is about one.
    """

    artefact: str
    what: str
    ok: bool | None
    measured: float | None = None
    requested: float | None = None
    unit: str = ""
    note: str = ""
    subject: str = ""

    @property
    def nearness(self) -> tuple[bool, float]:
        """Order of rows by how bad they are: wrong ones first, then the share of the request that is used."""
        if self.measured is None:
            return self.ok is False, np.inf if self.ok is False else -1.0
        return self.ok is False, self.measured / self.requested if self.requested else self.measured

    def why(self) -> str:
        """Say what is wrong."""
        if self.measured is None:
            return self.note
        wanted = "" if self.requested is None else f", requested {self.requested:.3g} {self.unit}"
        return f"measured {self.measured:.3g}{wanted}" + (f" ({self.note})" if self.note else "")

    def as_dict(self) -> JsonObject:
        """Return the row for machines; what is not finite is null, and its note says so."""
        finite = self.measured is None or bool(np.isfinite(self.measured))
        note = self.note if finite else (self.note or "measured is not a finite number")
        return {**asdict(self), "measured": self.measured if finite else None, "note": note}


@dataclass(frozen=True)
class VerifyResult:
    """All rows, in the order of the work; what was `requested`, and `light` as it was measured, or None."""

    checks: tuple[Check, ...]
    requested: Request
    light: LightFigures | None = None

    @property
    def ok(self) -> bool:
        """True where nothing is wrong."""
        return not self.failures

    @property
    def failures(self) -> tuple[Check, ...]:
        """The rows that are wrong."""
        return tuple(check for check in self.checks if check.ok is False)

    @property
    def worst_place(self) -> Check | None:
        """The row with the largest error of place of all artefacts; None where nothing was measured."""
        rows = [check for check in self.checks if check.what == PLACE and check.measured is not None]
        return max(rows, key=lambda check: check.nearness, default=None)

    def as_dict(self) -> JsonObject:
        """Return the result for machines; units are in the keys."""
        worst = self.worst_place
        unknown = [] if self.light is not None else [{"quantity": LIGHT, "why": _NO_LIGHT}]
        return {
            "ok": self.ok,
            "requested": self.requested.as_dict(),
            "worst_place": None if worst is None else worst.as_dict(),
            "light": None
            if self.light is None
            else {name: _known(self.light[name]) for name in LIGHT_FIGURES},
            "not_known": unknown,
            "checks": [check.as_dict() for check in self.checks],
        }


def place_checks(reached: Reached, request: Request, /) -> Iterator[Check]:
    """Judge what one kind of artefact reaches for a channel and colour; errors of weights are told."""
    subject = f"{reached.channel} {reached.colour}"
    if reached.px is not None:
        ok = bool(reached.px <= request.max_error_px * (1.0 + SINGLE))
        yield Check(reached.kind, PLACE, ok, reached.px, request.max_error_px, "px", subject=subject)
    for value, what in ((reached.weight, WEIGHT), (reached.weight_rms, WEIGHT_RMS)):
        if value is not None:
            yield Check(reached.kind, what, None, value, None, "of light", _TOLD, subject)


def as_written_checks(kind: str, found: Iterable[Reached], recorded: Iterable[Reached], /) -> Iterator[Check]:
    """Hold what is measured now to what was measured when the package was written: the files are those.

    Says nothing of how good they are.
    """
    before = {(one.channel, one.colour): one for one in recorded if one.kind == kind}
    now = {(one.channel, one.colour): one for one in found if one.kind == kind}
    if not before and not now:
        return
    if before.keys() != now.keys():
        odd = ", ".join(" ".join(key) for key in sorted(before.keys() ^ now.keys()))
        yield Check(kind, AS_WRITTEN, False, note=f"not both in the manifest and in the files: {odd}")
        return
    away = {key: _difference(now[key], before[key]) for key in now}
    worst = max(away, key=lambda key: away[key])
    ok = bool(away[worst] <= SAME)
    yield Check(kind, AS_WRITTEN, ok, away[worst], SAME, "px or of light", subject=" ".join(worst))


def light_checks(light: LightFigures | None, request: Request, /) -> Iterator[Check]:
    """Judge the light of a package.

    Parameters
    ----------
    light : mapping or None
        `LIGHT_FIGURES` as they were measured from the package's own bytes, None for one that the package
        does not determine; None where nothing was measured.
    request : Request

    Raises
    ------
    PackageError
        Other figures than those.
    """
    if light is None:
        yield Check(LIGHT, "whole", None, note=_NO_LIGHT)
        return
    if set(light) != set(LIGHT_FIGURES):
        raise PackageError(f"light holds {', '.join(light)}; expected {', '.join(LIGHT_FIGURES)}.")
    limits = (
        ("step_percent", "step", request.max_light_percent, "%"),
        ("ripple_percent", "ripple", request.max_light_percent, "%"),
        ("sum_error", "sum of weights", SUM_ERROR, "of one"),
        ("gradient_per_deg", "gradient of a weight", request.max_gradient_per_deg, "per degree"),
    )
    for name, what, limit, unit in limits:
        value = light[name]
        if value is None:
            yield Check(LIGHT, what, None, None, limit, unit, "not known: the package does not determine it")
        elif limit is None:
            yield Check(
                LIGHT,
                what,
                None,
                value,
                None,
                unit,
                "a feather was asked for, whose gradient is only reported",
            )
        else:
            yield Check(LIGHT, what, bool(value <= limit), value, limit, unit)


def _known(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else value


def _difference(now: Reached, before: Reached) -> float:
    """Return the largest difference of two measurements; infinite where one has what the other has not."""
    worst = 0.0
    for name in ("px", "weight", "weight_rms"):
        one, other = getattr(now, name), getattr(before, name)
        if (one is None) != (other is None):
            return np.inf
        if one is not None and one != other:
            worst = max(worst, float(np.nan_to_num(abs(one - other), nan=np.inf)))
    return worst
