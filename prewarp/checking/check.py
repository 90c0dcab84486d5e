"""`check_grid`: all checks in order, each on what the ones before left standing."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from prewarp.checking.advice import advise, noise_px, reference_pairs
from prewarp.checking.affine import Frame, common_frame, group_affine, px_per_tangent
from prewarp.checking.angles import GONIOMETERS, angles_findings
from prewarp.checking.consistency import CURL_SIGMA, LEAST_CURL, check_folds, curl_finding
from prewarp.checking.curl_share import Share, curl_shares
from prewarp.checking.duplicates import check_duplicates
from prewarp.checking.lattice import (
    check_layout,
    check_pupil_lattice,
    find_lattices,
    panel_places,
)
from prewarp.checking.mirror import check_orientation, declared_mirrored, is_mirrored, orientations
from prewarp.checking.missing import check_missing
from prewarp.checking.nominal import check_nominal
from prewarp.checking.orientation import channel_references, odd_groups, whole_channels
from prewarp.checking.outliers import (
    px_per_degree,
)
from prewarp.checking.pairs import Pairs
from prewarp.checking.panels import check_colours, check_panels
from prewarp.checking.pupil_terms import PupilTerms, pupil_terms
from prewarp.checking.pupil_trend import pupil_trends
from prewarp.checking.pupils import check_enough, check_positions, check_shift
from prewarp.checking.result import SEVERITIES, CheckResult, Finding, finding
from prewarp.checking.samples import Samples, samples_from_grid
from prewarp.checking.shots import Measured, find_shots
from prewarp.checking.values import check_values
from prewarp.checking.windows import CARRIED_POSITIONS
from prewarp.checking.working import require_room
from prewarp.checks import BoolArray, FloatArray
from prewarp.cores import on_cores, one_blas_thread
from prewarp.grids import Grid
from prewarp.module import DisplayModule
from prewarp.pupils.needed import WANTED_PX

_FEWEST = 12


def check_grid(
    grid: Grid,
    /,
    *,
    module: DisplayModule | None = None,
    panel_size_px: tuple[int, int] | None = None,
    pupil_degree: int | None = None,
    wanted_px: float = WANTED_PX,
) -> CheckResult:
    """Look for everything in a grid that would spoil a fit, with row numbers and a mend for each.

    Parameters
    ----------
    grid : Grid
    module : DisplayModule, optional
        Names of channels and colours and nominal reach are held against it; gives the panel size.
    panel_size_px : (int, int), optional
        Width and height, px, when there is no module.
    pupil_degree : int, optional
        Degree of the pupil polynomial that is to be fitted: are there enough pupil positions?
    wanted_px : float
        Error, px, for which the pupil positions that the field needs are counted.

    Returns
    -------
    CheckResult
        `findings`, errors first; `figures` with noise in px, curl in arcmin per mm and others per channel and
        colour.

    Raises
    ------
    PrewarpError
        Memory does not hold the work.

    Notes
    -----
    Gross faults (axes, units, mixed-up names) are found from affine maps of each channel, colour and pupil
    position; finer ones from a robust polynomial in panel and pupil. Groups found wrong are left out of the
    latter. Advice on the capture (pupil positions needed, depth, noise) is a remark each.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> result = prewarp.check_grid(grid.select(channel="inner", colour="G"), panel_size_px=(2560, 2048))
    >>> result.passed, result.count("error")
    (True, 0)
    """
    require_room(grid)
    findings, samples = _check_columns(grid, _panel_sizes(grid, module, panel_size_px))
    figures: dict[str, object] = {}
    if samples is not None:
        with _small_solves():
            more, figures = _check_samples(samples, module, pupil_degree, wanted_px)
        findings += more
    return _result(grid, findings, figures)


def quick_check(
    grid: Grid,
    /,
    *,
    module: DisplayModule | None = None,
    panel_size_px: tuple[int, int] | None = None,
) -> CheckResult:
    """Look for what makes a whole fit wrong: columns, ranges, units, colours, panels and axes; no figures.

    A part of `check_grid`, with its parameters and findings; quick enough to run before every fit.
    """
    findings, samples = _check_columns(grid, _panel_sizes(grid, module, panel_size_px))
    if samples is not None:
        with _small_solves():
            axes = _check_axes(samples, module)
            findings += axes.findings
            trends = {}
            if module is None and any(is_mirrored(lie) for lie in axes.lies.values()):
                places = {
                    lattice.pair: panel_places(samples, axes.frame, lattice)
                    for lattice in find_lattices(samples)
                }
                trends = pupil_trends(samples, axes.frame, axes.maps, axes.skip, places)
            findings += check_orientation(samples, axes.lies, trends, module)
    return _result(grid, findings, {})


def _panel_sizes(
    grid: Grid, module: DisplayModule | None, panel_size_px: tuple[int, int] | None
) -> dict[str, tuple[int, int]]:
    if panel_size_px is not None:
        return dict.fromkeys(grid.channel_names, panel_size_px)
    return {} if module is None else {channel.name: channel.panel.size_px for channel in module.channels}


def _check_columns(
    grid: Grid, sizes_px: Mapping[str, tuple[int, int]]
) -> tuple[list[Finding], Samples | None]:
    """Return what single columns say, and the samples where there are enough for more."""
    findings = [*check_values(grid), *check_panels(grid, sizes_px), *check_colours(grid)]
    samples = samples_from_grid(grid)
    if len(samples.index) >= _FEWEST:
        return findings, samples
    text = f"{len(samples.index)} usable samples; a check needs at least {_FEWEST}."
    return [*findings, finding("layout", "error", text, "Capture more points.")], None


@contextmanager
def _small_solves() -> Iterator[None]:
    # Small solves are up to 100 times slower with two BLAS threads than with one.
    with one_blas_thread(), np.errstate(all="ignore"):
        yield


def _result(grid: Grid, findings: list[Finding], figures: dict[str, object]) -> CheckResult:
    findings.sort(key=lambda f: SEVERITIES.index(f.severity))
    return CheckResult(grid.source, len(grid), tuple(findings), figures)


@dataclass(frozen=True, eq=False)
class _Axes:
    """Affine maps (g, 2, 3) of the groups, typical ones by channel, how panels lie, groups found wrong (g,),
    and findings.
    """

    frame: Frame
    maps: FloatArray
    references: dict[int, FloatArray]
    lies: dict[int, str]
    skip: BoolArray
    findings: list[Finding]


def _check_axes(samples: Samples, module: DisplayModule | None) -> _Axes:
    """Find flipped and swapped axes, other units and mixed-up channels."""
    frame = common_frame(samples)
    maps = group_affine(samples, frame, samples.tangent)
    references = channel_references(samples, frame, maps)
    findings, skip = odd_groups(samples, frame, maps, references)
    findings += whole_channels(samples, frame, references)
    if module is not None:
        findings += check_nominal(samples, references, module)
    return _Axes(frame, maps, references, orientations(references, frame), skip, findings)


def _check_samples(
    samples: Samples, module: DisplayModule | None, pupil_degree: int | None, wanted_px: float
) -> tuple[list[Finding], dict[str, object]]:
    axes = _check_axes(samples, module)
    frame, maps, references, skip = axes.frame, axes.maps, axes.references, axes.skip
    colours = len(samples.grid.colour_names)
    scale = np.array(
        [_scale(references, pair // colours, frame) for pair in range(int(samples.pairs.max()) + 1)]
    )
    findings = [*check_duplicates(samples, scale)]
    lattices = find_lattices(samples)
    findings += [*check_layout(samples, lattices), *check_missing(samples, lattices)]
    findings += check_enough(samples, pupil_degree)

    findings += axes.findings
    places = {lattice.pair: panel_places(samples, frame, lattice) for lattice in lattices}
    trends = pupil_trends(samples, frame, maps, skip, places)
    findings += check_orientation(samples, axes.lies, trends, module)
    findings += check_shift(
        samples,
        trends,
        {channel: is_mirrored(lie) for channel, lie in axes.lies.items()},
        {code: declared_mirrored(module, name) for code, name in enumerate(samples.grid.channel_names)},
    )
    misplaced, wrong = check_positions(samples, frame, trends)
    findings += misplaced
    skip = skip | wrong

    figures: dict[str, object] = {"pupil_positions": len(samples.pupils_mm)}
    figures["layout"] = ", ".join(sorted({lattice.kind for lattice in lattices}))
    pairs = Pairs(samples, frame, scale, places, {lattice.pair: lattice for lattice in lattices})
    every = list(pairs.lattices)
    found = on_cores(lambda pair: pairs.measured(pair, skip), every)
    measured = {pair: one for pair, one in zip(every, found, strict=True) if one is not None}
    told_of = reference_pairs(samples)
    unseen = _unseen_px(samples, measured, told_of, ~skip, places)
    shots, off, meant_mm = find_shots(samples, measured, unseen)
    findings += [*shots, *check_pupil_lattice(samples, meant_mm)]
    changed = sorted({int(samples.group_pair[group]) for group in np.flatnonzero(off)})
    found = on_cores(lambda pair: pairs.measured(pair, skip | off), changed)
    for pair, again in zip(changed, found, strict=True):
        if again is None:
            del measured[pair]
        else:
            measured[pair] = again
    look = _Look(pairs, skip, off, unseen, frozenset(told_of))
    seen = dict(zip(measured, on_cores(look, list(measured.values())), strict=True))
    curls: dict[int, tuple[float, float]] = {}
    terms = {pair: one.terms for pair, one in seen.items() if one.terms is not None}
    noise = {pair: one.noise_px for pair, one in seen.items() if one.terms is not None}
    by_name: dict[str, dict[str, float | None]] = {
        "noise_px": {},
        "curl_arcmin_per_mm": {},
        "curl_noise_arcmin_per_mm": {},
    }
    by_name |= {"image_vergence_dioptres": {}, "px_per_degree": {}}
    for pair in pairs.lattices:
        name = f"{samples.channel_of(pair)}/{samples.colour_of(pair)}"
        if pair in trends:
            by_name["image_vergence_dioptres"][name] = 0.5 * float(np.trace(trends[pair].curvature_dioptres))
        if pair not in measured:
            continue
        own = seen[pair]
        by_name["px_per_degree"][name] = own.px_per_degree
        by_name["noise_px"][name] = measured[pair].sigma if measured[pair].residuals.told else None
        findings += own.findings
        if own.curl is not None:
            by_name["curl_arcmin_per_mm"][name], by_name["curl_noise_arcmin_per_mm"][name] = own.curl
            if own.curl[0] > max(CURL_SIGMA * own.curl[1], LEAST_CURL):
                curls[pair] = own.curl
    good_groups = ~(skip | off)
    angles = list(
        angles_findings(
            samples,
            {pair: one.shares for pair, one in seen.items() if one.shares},
            lambda pair: pairs.coarser_shares(pair, good_groups[samples.group]),
            curls,
            lambda turned, pair: pairs.curl_of(turned, pair, good_groups),
        )
    )
    if angles:
        # Such angles make a map that no smooth model follows: patches are looked for in the mended grid.
        findings = [one for one in findings if one.kind != "patch"]
        findings += angles
        named = {one.channel for one in angles}
        curls = {p: one for p, one in curls.items() if not named & {None, samples.channel_of(p)}}
    if curls:
        findings.append(curl_finding(samples, curls, set(measured)))
    told, by_name["pupils_needed_each_way"] = advise(samples, terms, noise, wanted_px)
    findings += told
    figures |= {key: value for key, value in by_name.items() if value}
    return findings, figures


@dataclass(frozen=True, eq=False)
class _Seen:
    """What the finer checks say of one channel and colour; `terms` and `noise_px` where it tells of them."""

    findings: list[Finding]
    px_per_degree: float
    terms: PupilTerms | None
    noise_px: float | None
    curl: tuple[float, float] | None
    shares: list[Share]  # of each goniometer's angles in the curl; none where that is not known


@dataclass(frozen=True, eq=False)
class _Look:
    """The finer checks of one channel and colour, called with what was measured of it."""

    pairs: Pairs
    skip: BoolArray  # (g,) groups found wrong by their axes or positions
    off: BoolArray  # (g,) those off as a whole
    unseen_px: Mapping[int, float]
    told_of: frozenset[int]

    def __call__(self, one: Measured) -> _Seen:
        samples, pair = self.pairs.samples, one.surface.pair
        findings, wrong_rows = self.pairs.faults(one, self.off, self.unseen_px.get(pair, 0.0))
        good = ~(self.skip | self.off)[samples.group]
        good[wrong_rows] = False
        findings += check_folds(samples, one.surface, self.pairs.lattices[pair], good)
        surface = self.pairs.settled(one.surface, good)
        curl = self.pairs.curl(surface, good)
        tells = pair in self.told_of
        return _Seen(
            findings,
            px_per_degree(samples, one.residuals),
            pupil_terms(samples, one.residuals, good, self.pairs.places[pair]) if tells else None,
            noise_px(samples, one.residuals, good) if tells else None,
            curl,
            [] if curl is None else curl_shares(samples, surface, good, GONIOMETERS),
        )


def _unseen_px(
    samples: Samples,
    measured: Mapping[int, Measured],
    told_of: list[int],
    good: BoolArray,
    places: Mapping[int, int],
) -> dict[int, float]:
    """Return by pair what its positions do not show of the map, px, where they are so few that this passes
    for faults; `told_of`: the pair of each channel that says it for all its colours, `good` (g,) its groups.
    """
    colours = len(samples.grid.colour_names)
    found: dict[int, float] = {}
    for pair in told_of:
        if pair not in measured or len(measured[pair].places.groups) >= CARRIED_POSITIONS:
            continue
        one = measured[pair]
        left = pupil_terms(samples, one.residuals, good[samples.group], places[pair]).unseen_px
        found |= {other: left for other in measured if other // colours == pair // colours}
    return found


def _scale(references: dict[int, FloatArray], channel: int, frame: Frame) -> float:
    return float(px_per_tangent(references[channel], frame)) if channel in references else np.nan
