"""One unit of a line: its grid to a row of the table. What cannot be judged becomes a row with a reason."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from prewarp.budget import Tracker
from prewarp.checks import FloatArray
from prewarp.cores import one_blas_thread
from prewarp.errors import GridError, PrewarpError
from prewarp.grids import Grid, read_grid
from prewarp.limits import Limits
from prewarp.line.estimate import Estimate
from prewarp.line.family import Family
from prewarp.line.figures import FIGURES, Judge
from prewarp.line.flags import THRESHOLD, Flags, flags_of
from prewarp.line.package import UnitPackages
from prewarp.line.rows import PosePrior, Seen, View, view_of
from prewarp.line.seam import SEAM_FIGURES, Known, SeamJudge
from prewarp.line.solve import solved
from prewarp.module import DisplayModule
from prewarp.poses.shots import shot_codes
from prewarp.quality.conformance import FAIL, FAIL_WITHIN, PASS, VERDICTS, judge
from prewarp.quality.units_table import BAD, FLAGS

# Columns of a unit's package: the largest error of its tables, and what its files hold.
PACKAGE = ("package_error_px", "package_bytes")
SERIAL_COLUMN = "serial"
# A shot's view with fewer dots says too little of what is smooth in it.
LEAST_DOTS = 40
LIMIT_BYTES = 1 << 28
# What positions share of a family's remainder is a matrix of all their dots.
MOST_POSITIONS = 12
# More positions ask for finer directions than few earlier units tell, and the seam would be said to be known
# better than it is: by 1.2 to 1.5 times from five positions with 60 units, not with 200, nor from two.
UNITS_A_POSITION = 30
# Off by more than this, RMS in prior sigmas of a dot, no tolerance is the cause.
_GROSS = 8.0


@dataclass(frozen=True)
class LineSettings:
    """What all units of a line share: how far poses may be off, how many camera positions each was captured
    from (None: any number), and the limits; the display (None: nothing is known of its seam) and its tracker.
    """

    prior: PosePrior = PosePrior()
    positions: int | None = None
    limits: Limits = Limits()
    display: DisplayModule | None = None
    tracker: Tracker = Tracker()


@dataclass(frozen=True)
class UnitRow:
    """A row of the table: `numbers` by column, those that are known."""

    serial: str
    status: str
    reason: str
    numbers: Mapping[str, float]


class UnitWork:
    """What is made once for all units of a line."""

    def __init__(self, family: Family, settings: LineSettings, packages: UnitPackages | None = None) -> None:
        self.packages = packages
        self.family, self.settings, self.judge = family, settings, Judge.of(family)
        display = settings.display
        self.seam = None if display is None else SeamJudge.of(family, display, settings.tracker)

    def row(self, serial: str, path: Path, /, *, folder: Path | None = None) -> UnitRow:
        """Return the row of a unit; nothing is raised for a grid that cannot be used.

        Its package is written into `folder`, named by serial, where packages are asked for.
        """
        try:
            with one_blas_thread():
                return self._row(serial, read_grid(path, limit_bytes=LIMIT_BYTES), folder)
        except (PrewarpError, OSError, MemoryError, np.linalg.LinAlgError) as cause:
            text = " ".join((str(cause) or type(cause).__name__).replace(f"{path}", path.name).split())
            return UnitRow(serial, BAD, text, {})

    def _row(self, serial: str, grid: Grid, folder: Path | None) -> UnitRow:
        self._require_serial(serial, grid)
        views, shots = self.views(grid)
        self._require_near(views, grid)
        found = solved(self.family, views, shots, self.settings.prior)
        flags = flags_of(found, self.family)
        numbers = self._numbers(found, flags, shots)
        reasons = _flag_reasons(flags, self.family)
        if reasons:
            # Figures speak of the family; of another kind of unit they are not known.
            text = f"not of this family ({self.family.kind}): " + "; ".join(reasons)
            return UnitRow(serial, "fail", text, numbers)
        covariance = found.covariance[: self.family.count, : self.family.count]
        figures = {name: Known(*one) for name, one in self.judge.figures(covariance).items()}
        if self.seam is not None:
            figures |= self._seam_figures(self.seam, found.mean[: self.family.count], covariance, shots)
        worst, told = PASS, []
        for name, one in figures.items():
            limit = getattr(self.settings.limits, name)
            if one.needs:
                told.append(f"{name} not known: needs {one.needs}")
                # What has a limit and is not known does not count as passed.
                worst = worst if limit is None else FAIL_WITHIN
                continue
            value, sigma = one.value, one.sigma
            numbers[name], numbers[f"{name}_sigma"] = value, sigma
            if limit is not None:
                verdict = judge(value, sigma, limit).verdict
                if VERDICTS.index(verdict) > VERDICTS.index(worst):
                    worst = verdict
                if verdict != PASS:
                    told.append(f"{name} {value:.3g}, limit {limit:g}: {verdict}")
        if self.packages is not None and folder is not None:
            try:
                error, size = self.packages.write(
                    folder / serial, found.mean[: self.family.count], {"grid": Path(grid.source).name}
                )
                numbers |= {"package_error_px": error, "package_bytes": float(size)}
            except PrewarpError as cause:
                told.append("no package: " + str(cause).replace(str(folder / serial), serial))
                worst = FAIL
        return UnitRow(serial, worst, "; ".join(told), numbers)

    def _seam_figures(
        self, judge: SeamJudge, mean: FloatArray, covariance: FloatArray, shots: int
    ) -> Mapping[str, Known]:
        learned = self.family.learned
        if learned is not None and learned.units < UNITS_A_POSITION * shots:
            needs = f"{UNITS_A_POSITION * shots} earlier units in the family, or fewer camera positions"
            return dict.fromkeys(SEAM_FIGURES, Known(needs=needs))
        return judge.figures(mean, covariance)

    def views(self, grid: Grid, /) -> tuple[list[View], int]:
        """Return the equations of every shot, channel and colour of a grid, and the number of shots.

        Raises
        ------
        GridError
            A channel or colour that the family lacks, or that a shot lacks; too few dots; another number of
            camera positions than the line has.
        """
        family, source = self.family, Path(grid.source).name
        for what, have, known in (
            ("channel", grid.channel_names, tuple(family.channels)),
            ("colour", grid.colour_names, family.colours),
        ):
            if set(have) != set(known):
                raise GridError(
                    f"{source}: {what}s {', '.join(sorted(have))}; the family has {', '.join(sorted(known))}."
                )
        finite = np.flatnonzero(grid.finite)
        if len(finite) == 0:
            raise GridError(f"{source}: no row is finite.")
        names, _, shot = shot_codes(grid, finite)
        expected = self.settings.positions
        if family.learned is not None and len(names) > MOST_POSITIONS:
            raise GridError(
                f"{source}: {len(names)} camera positions; by a family from fits a unit is found from at "
                f"most {MOST_POSITIONS}. Leave positions out, or fit the unit itself ('prewarp fit')."
            )
        if expected is not None and len(names) != expected:
            raise GridError(
                f"{source}: {len(names)} camera positions; expected {expected}. Capture it again."
            )
        low, high = family.pupil_box_mm
        label = grid.pupil_mm[finite]
        if np.any(label < low - 0.5) or np.any(label > high + 0.5):
            raise GridError(
                f"{source}: a camera position lies outside the eye box, which the family holds for."
            )
        views = []
        for number, name in enumerate(names):
            for channel in family.channels:
                for colour in family.colours:
                    rows = finite[
                        (shot == number)
                        & (grid.channel[finite] == grid.channel_names.index(channel))
                        & (grid.colour[finite] == grid.colour_names.index(colour))
                    ]
                    if len(rows) < LEAST_DOTS:
                        raise GridError(
                            f"{source}: shot {name} shows {len(rows)} dots of channel '{channel}', {colour}; "
                            f"expected {LEAST_DOTS} or more. Capture it again."
                        )
                    seen = Seen(channel, colour, grid.pixel[rows], grid.tangent[rows], grid.pupil_mm[rows])
                    views.append(view_of(family, seen, number, self.settings.prior))
        return views, len(names)

    def _require_serial(self, serial: str, grid: Grid) -> None:
        column = grid.extra.get(SERIAL_COLUMN)
        if column is None:
            return
        if column.dtype.kind == "f":
            inside = {f"{one:g}" for one in np.unique(column[np.isfinite(column)])}
        else:
            inside = {str(one) for one in np.unique(column)}
        if inside != {serial}:
            told = ", ".join(sorted(inside)[:3]) or "none"
            raise GridError(
                f"the file is named {serial}, its column 'serial' says {told}: swapped or misnamed."
            )

    def _require_near(self, views: list[View], grid: Grid) -> None:
        """Raise where no tolerance can be the cause of how far off a unit is; say so of swapped channels."""
        off = gross_ratio(views)
        if off < _GROSS:
            return
        source, names = Path(grid.source).name, grid.channel_names
        if len(names) == 2:
            swapped, _ = self.views(_swapped(grid))
            if gross_ratio(swapped) < _GROSS:
                raise GridError(
                    f"{source}: channels '{names[0]}' and '{names[1]}' are swapped: the other way round the "
                    "unit is one of the family."
                )
        raise GridError(
            f"{source}: dots lie {off:.0f} times further from the nominal design than tolerances allow. "
            "Check module, panel orientation and camera positions."
        )

    def _numbers(self, found: Estimate, flags: Flags, shots: int) -> dict[str, float]:
        sigma = np.sqrt(np.diag(found.covariance))
        numbers: dict[str, float] = {}
        for place in range(self.family.count):
            numbers[f"mode_{place + 1}"] = float(found.mean[place])
            numbers[f"mode_{place + 1}_sigma"] = float(sigma[place])
        numbers |= {name: getattr(flags, name) for name in FLAGS}
        numbers["positions"] = float(shots)
        return numbers


def columns_of(family: Family, known: Collection[str], /) -> tuple[str, ...]:
    """Return the columns of numbers of a line's table, in order; of figures of the seam those that are
    `known` of a unit.
    """
    seam = [name for name in SEAM_FIGURES if name in known]
    figures = [f"{name}{ending}" for name in (*FIGURES, *seam) for ending in ("", "_sigma")]
    modes = [f"mode_{k}{ending}" for k in range(1, family.count + 1) for ending in ("", "_sigma")]
    return (*figures, *modes, *FLAGS, "positions", *PACKAGE)


def gross_ratio(views: list[View], /) -> float:
    """Return how far dots lie from the nominal map over what the prior allows, median of dots."""
    ratios = []
    for view in views:
        allowed = np.sum(view.matrix**2, axis=1).reshape(-1, 2).sum(axis=1)
        ratios.append(np.sum(view.side.reshape(-1, 2) ** 2, axis=1) / allowed)
    return float(np.sqrt(np.median(np.concatenate(ratios))))


def _swapped(grid: Grid) -> Grid:
    return replace(grid, channel_names=tuple(reversed(grid.channel_names)))


def _flag_reasons(flags: Flags, family: Family) -> list[str]:
    told = []
    if flags.outside_p < THRESHOLD:
        told.append(f"what the modes leave is {flags.outside:.2f} times what noise explains")
    if flags.inside_p < THRESHOLD:
        told.append(f"coefficients lie {np.sqrt(flags.inside):.2f} times further out than the family's")
    if flags.figure_p < THRESHOLD:
        whose = "no tolerance allows" if family.learned is None else "no earlier unit has"
        told.append(f"a figure that {whose}: {flags.figure}")
    return told
