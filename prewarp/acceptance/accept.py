"""Hold a fresh capture of a unit against its package, and judge it by the limits of its module file."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.acceptance.belonging import lookup_of, rows_of_eye, side_of
from prewarp.acceptance.figures import Figure, least_risk, whole_risk, worst_verdict
from prewarp.acceptance.focus import FOCUS_KEY, focus_figure
from prewarp.acceptance.lost import LOST_KEY, lost_figure
from prewarp.acceptance.panel_points import panel_points
from prewarp.acceptance.place import Noise, Part, noise_of, place_figures, regions_of, shots_of
from prewarp.acceptance.pose import BenchPrior, CommonPose, common_pose, describe, without
from prewarp.acceptance.predicted import Capture, held_against, lookup_pairs
from prewarp.acceptance.seam import (
    OVERLAP_NEEDS,
    SEAM_KEY,
    STEP_KEY,
    Meeting,
    lacking_of,
    meetings,
    seam_figure,
    step_figure,
)
from prewarp.acceptance.seam_moments import seam_moments
from prewarp.budget import Tracker
from prewarp.errors import SeamError
from prewarp.export.package_reading import Package
from prewarp.export.truth import KIND as TRUTH
from prewarp.export.truth import Truth, read_truth
from prewarp.grids import Grid
from prewarp.limits import Limits
from prewarp.lookup import Lookup
from prewarp.module import DisplayModule
from prewarp.quality.conformance import RULE, chance_text

# A smaller risk is as good as none (`chance_text`).
_LEAST_TOLD = 1e-4


@dataclass(frozen=True, eq=False)
class Acceptance:
    """What was found of a unit.

    `verdict`: the worst of all figures with a limit; None where no limit is set. `risk`: that it is wrong, at
    most. `told`: sentences on poses and rows. `regions`, `shots`: by channel and colour. `removed`: the
    common pose that was asked for, whether taken off or not.
    """

    side: str
    figures: tuple[Figure, ...]
    noises: dict[tuple[str, str], Noise]
    regions: dict[tuple[str, str], tuple[Part, ...]]
    shots: dict[tuple[str, str], tuple[Part, ...]]
    capture: Capture
    lookup: Lookup
    limits: Limits
    pose: CommonPose | None
    told: tuple[str, ...]

    @property
    def verdict(self) -> str | None:
        """A verdict of `quality.conformance`, "not known", or None where no limit is set."""
        return worst_verdict(list(self.figures))

    @property
    def risk(self) -> float | None:
        """The chance, at most, that a pass or a fail is wrong for this unit."""
        return whole_risk(list(self.figures), self.verdict)

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        verdict, risk = self.verdict, self.risk
        if verdict is None:
            return (
                "No verdict: the module file sets no limit ([limits]), so nothing passes and nothing fails."
            )
        if risk is None:
            lacking = [one for one in self.figures if one.verdict == verdict and one.needs]
            more = f" {len(lacking) - 1} more figures with a limit are not known." if len(lacking) > 1 else ""
            return f"No verdict: {lacking[0].name} is not known. Needs {lacking[0].needs}.{more}"
        kind = "exceeds a limit" if verdict.startswith("pass") else "keeps its limits"
        return (
            f"{verdict.capitalize()}. Specific risk, the chance that the unit {kind} all the same: "
            f"{self.chance}."
        )

    @property
    def chance(self) -> str:
        """The risk in words; what is known of it are two ends. "" without a verdict."""
        least, most = least_risk(list(self.figures), self.verdict), self.risk
        if least is None or most is None:
            return ""
        ends = chance_text(least), chance_text(most)
        if ends[0] == ends[1]:
            return ends[0]
        return f"at most {ends[1]}" if least < _LEAST_TOLD else f"{ends[0]} to {ends[1]}"

    def as_dict(self) -> dict[str, Any]:
        """Return all of it for machines; what is not known is None."""
        names = list(self.noises)
        return {
            "eye": self.side,
            "verdict": self.verdict,
            "specific_risk_at_least": least_risk(list(self.figures), self.verdict),
            "specific_risk_at_most": self.risk,
            "sentence": self.sentence,
            "rule": RULE,
            "figures": [one.as_dict() for one in self.figures],
            "rows": sum(len(one) for one in self.capture.groups),
            "rows_outside_eye_box": self.capture.outside_box,
            "rows_not_finite": self.capture.not_finite,
            "noise_px": [
                {
                    "channel": name[0],
                    "color": name[1],
                    "stated": self.noises[name].stated,
                    "seen": self.noises[name].seen,
                }
                for name in names
            ],
            "regions": [_parts(name, self.regions[name]) for name in names],
            "pupils": [_parts(name, self.shots[name]) for name in names],
            "pose": None if self.pose is None else self.pose.as_dict(),
            "told": list(self.told),
        }


def accept_unit(
    grid: Grid,
    package: Package,
    module: DisplayModule,
    /,
    *,
    tracker: Tracker | None = None,
    bench: BenchPrior | None = None,
    remove_pose: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> Acceptance:
    """Hold a capture against a package, by the limits of a module.

    Parameters
    ----------
    grid : Grid
        A fresh capture of the unit: rows that were not used for its fit.
    package : Package
        Of one eye, with a lookup.
    module : DisplayModule
        Whose `limits` judge.
    tracker : Tracker, optional
        That the seam error is judged with.
    bench : BenchPrior, optional
        1-sigma of the capture's pose as a whole; without it poses are taken as exact, unless `remove_pose`.
    remove_pose : bool
        Take off a shift and a turn common to all rows, as far as `bench` allows.

    Raises
    ------
    PackageError, GridError
        The three are not of one display, or the capture is spoilt.
    """
    side = side_of(package, module)
    lookup = lookup_of(package)
    own = rows_of_eye(grid, package, module)
    truths = package.entries(TRUTH)
    truth: Truth | None = None
    if len(truths) == 1:
        package.data(truths[0])
        truth = read_truth(package.path(truths[0]), package.channels, package.colours)
    progress("running the package's tables")
    capture = held_against(own, lookup)
    prior = bench or (BenchPrior() if remove_pose else None)
    pose = None
    if remove_pose and prior is not None and capture.groups:
        pose = common_pose(capture, prior)
        capture = without(capture, pose) if pose.removed else capture
    covariance = None
    if prior is not None:
        covariance = np.diag(prior.sigma**2) if pose is None else pose.covariance
    limits = {name: getattr(module.limits, name) for name in module.limits.__dataclass_fields__}
    noises = {(one.channel, one.colour): noise_of(one) for one in capture.groups}
    figures: list[Figure] = []
    points = panel_points(lookup)
    for one in capture.groups:
        noise = noises[one.channel, one.colour]
        own_points = points[one.channel, one.colour]
        figures += place_figures(one, noise, lookup, truth, covariance, limits, own_points)
    for channel, colour in lookup_pairs(lookup):
        if (channel, colour) not in noises:
            needs = f"rows of channel '{channel}' in colour '{colour}' from inside the eye box"
            figures += [
                Figure(key, f"{channel} {colour}", unit, needs=needs, limit=limits[key])
                for key, unit in (("place_px", "px"), ("place_arcmin", "arcmin"))
            ]
    progress("measuring the seam")
    figures += _seam_figures(capture, noises, lookup, module, tracker or Tracker(), limits)
    lost = limits[LOST_KEY]
    if lost is not None:
        progress("fitting what is lit")
        needs = next((one.needs for one in figures if one.key == "place_px" and one.needs), "")
        figures.append(lost_figure(own, module, side, needs, lost))
    sizes = dict(zip(lookup.channels, lookup.panel_sizes_px, strict=True))
    return Acceptance(
        side,
        tuple(figures),
        noises,
        {
            key: regions_of(one, noises[key], sizes[one.channel])
            for one in capture.groups
            for key in [(one.channel, one.colour)]
        },
        {
            key: shots_of(one, noises[key], capture.shots_mm)
            for one in capture.groups
            for key in [(one.channel, one.colour)]
        },
        capture,
        lookup,
        module.limits,
        pose,
        (*describe(pose, prior), *_left_out(capture)),
    )


def _seam_figures(
    capture: Capture,
    noises: dict[tuple[str, str], Noise],
    lookup: Lookup,
    module: DisplayModule,
    tracker: Tracker,
    limits: dict[str, float | None],
) -> list[Figure]:
    """Return seam error and luminance step: of every colour that shows both channels."""
    if len(lookup.channels) < 2:
        return []
    found: list[Figure] = []
    met: dict[tuple[str, str], list[Meeting]] = {}
    for one in meetings(capture.groups, noises):
        met.setdefault(one.channels, []).append(one)
    for channels, colours in met.items():
        try:
            moments, why = seam_moments(channels, lookup, module.eye_box, tracker), ""
        except SeamError as cause:
            moments, why = None, f"directions that both channels show from all of the eye box ({cause})"
        lack = {}
        for one in colours:
            lack[one.colour] = lacking_of(one, None if moments is None else moments.directions, lookup)
            if moments is None:
                found.append(Figure(SEAM_KEY, one.of, "arcmin", needs=why, limit=limits[SEAM_KEY]))
            else:
                known = all(noises[name, one.colour].known for name in channels)
                found.append(seam_figure(one, moments, lookup, known, lack[one.colour], limits[SEAM_KEY]))
        found += [step_figure(one, bool(lookup.gains), lack[one.colour], limits[STEP_KEY]) for one in colours]
        found.append(focus_figure(capture.groups, channels, lack, limits[FOCUS_KEY]))
    if not met:
        found.append(Figure(FOCUS_KEY, "", "D", needs=OVERLAP_NEEDS, limit=limits[FOCUS_KEY]))
    shown = {one.colour for colours in met.values() for one in colours}
    for colour in lookup.colours:
        if colour not in shown:
            found += [
                Figure(key, colour, unit, needs=OVERLAP_NEEDS, limit=limits[key])
                for key, unit in ((SEAM_KEY, "arcmin"), (STEP_KEY, "%"))
            ]
    return found


def _left_out(capture: Capture) -> list[str]:
    told = []
    if capture.outside_box:
        told.append(
            f"{capture.outside_box} rows from outside the eye box are not judged: for such pupils "
            "a device takes the nearest position inside."
        )
    if capture.not_finite:
        told.append(f"{capture.not_finite} rows are not finite and are not judged.")
    return told


def _parts(name: tuple[str, str], parts: tuple[Part, ...]) -> dict[str, Any]:
    return {"channel": name[0], "color": name[1], "parts": [one.as_dict() for one in parts]}
