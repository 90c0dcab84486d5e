"""`check_grid`: all checks in order, each on what the ones before left standing."""

import numpy as np
from threadpoolctl import threadpool_limits

from prewarp.checking.affine import common_frame, group_affine, px_per_tangent
from prewarp.checking.consistency import CURL_SIGMA, LEAST_CURL, check_folds, curl_finding, measure_curl
from prewarp.checking.duplicates import check_duplicates
from prewarp.checking.lattice import check_lattices, check_pupil_lattice, find_lattices, panel_places
from prewarp.checking.orientation import channel_references, nominal_reach, odd_groups, whole_channels
from prewarp.checking.outliers import find_outliers, outlier_findings
from prewarp.checking.pupil_trend import pupil_trends
from prewarp.checking.pupils import check_enough, check_positions, check_shift
from prewarp.checking.result import SEVERITIES, CheckResult, Finding, finding
from prewarp.checking.samples import Samples, samples_from_grid
from prewarp.checking.surface import fit_surface
from prewarp.checking.values import check_values
from prewarp.grids import Grid

_DEGREES_PER_RADIAN = 180.0 / np.pi
_FEWEST = 12


def check_grid(
    grid: Grid,
    /,
    *,
    module=None,
    panel_size_px: tuple[int, int] | None = None,
    pupil_degree: int | None = None,
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

    Returns
    -------
    CheckResult
        `findings`, errors first; `figures` with noise in px, curl in arcmin per mm and others per channel and colour.

    Notes
    -----
    Gross faults (axes, units, mixed-up names) are found from affine maps of each channel, colour and pupil position;
    finer ones from a robust polynomial in panel and pupil. Groups found wrong are left out of the latter.
    """
    findings = [*check_values(grid, _panel_size(module, panel_size_px))]
    samples = samples_from_grid(grid)
    figures: dict[str, object] = {}
    if len(samples.index) < _FEWEST:
        findings.append(
            finding(
                "layout",
                "error",
                f"{len(samples.index)} usable samples; a check needs at least {_FEWEST}.",
                "Capture more points.",
            )
        )
    else:
        # The small solves below are up to 100 times slower with two BLAS threads than with one.
        with threadpool_limits(limits=1, user_api="blas"), np.errstate(all="ignore"):
            more, figures = _check_samples(samples, module, pupil_degree)
        findings += more
    findings.sort(key=lambda f: SEVERITIES.index(f.severity))
    return CheckResult(grid.source, len(grid), tuple(findings), figures)


def _panel_size(module, panel_size_px: tuple[int, int] | None) -> tuple[int, int] | None:
    """Return the size given, else the largest of the module's panels."""
    if panel_size_px is not None or module is None:
        return panel_size_px
    panels = [channel.panel for channel in module.channels]
    return max(p.width_px for p in panels), max(p.height_px for p in panels)


def _check_samples(
    samples: Samples, module, pupil_degree: int | None
) -> tuple[list[Finding], dict[str, object]]:
    frame = common_frame(samples)
    maps = group_affine(samples, frame, samples.tangent)
    references = channel_references(samples, frame, maps)
    colours = len(samples.grid.colour_names)
    scale = np.array(
        [_scale(references, pair // colours, frame) for pair in range(int(samples.pairs.max()) + 1)]
    )
    findings = [*check_duplicates(samples, scale)]
    lattices = find_lattices(samples)
    findings += [*check_lattices(samples, lattices), *check_pupil_lattice(samples)]
    findings += check_enough(samples, pupil_degree)

    odd, skip = odd_groups(samples, frame, maps, references)
    findings += odd
    findings += whole_channels(samples, frame, references)
    if module is not None:
        findings += nominal_reach(samples, references, module)
    places = {lattice.pair: panel_places(samples, frame, lattice) for lattice in lattices}
    trends = pupil_trends(samples, frame, maps, skip, places)
    findings += check_shift(samples, trends)
    misplaced, wrong = check_positions(samples, frame, trends)
    findings += misplaced
    skip |= wrong

    figures: dict[str, object] = {"pupil_positions": len(samples.pupils_mm)}
    figures["layout"] = ", ".join(sorted({lattice.kind for lattice in lattices}))
    by_name: dict[str, dict[str, float]] = {
        "noise_px": {},
        "curl_arcmin_per_mm": {},
        "curl_noise_arcmin_per_mm": {},
    }
    by_name |= {"image_distance_dioptres": {}, "px_per_degree": {}}
    for lattice in lattices:
        pair = lattice.pair
        name = f"{samples.channel_of(pair)}/{samples.colour_of(pair)}"
        by_name["px_per_degree"][name] = float(scale[pair]) / _DEGREES_PER_RADIAN
        if pair in trends:
            by_name["image_distance_dioptres"][name] = 0.5 * float(np.trace(trends[pair].curvature_dioptres))
        fitting = (samples, frame, pair, skip, float(scale[pair]), places[pair])
        surface = fit_surface(*fitting)
        if surface is None:
            continue
        index = np.flatnonzero((samples.pair == pair) & ~skip[samples.group])
        bad, distance, sigma = find_outliers(samples, surface, index)
        by_name["noise_px"][name] = sigma
        findings += outlier_findings(samples, surface, index[bad], distance[bad], sigma)
        good = ~skip[samples.group]
        good[index[bad]] = False
        findings += check_folds(samples, surface, lattice, good)
        measured = measure_curl(samples, surface, fit_surface(*fitting, coarser=True))
        if measured is not None:
            curl, noise = measured
            by_name["curl_arcmin_per_mm"][name], by_name["curl_noise_arcmin_per_mm"][name] = curl, noise
            if curl > max(CURL_SIGMA * noise, LEAST_CURL):
                findings.append(curl_finding(samples, pair, curl, noise))
    figures |= {key: value for key, value in by_name.items() if value}
    return findings, figures


def _scale(references, channel: int, frame) -> float:
    return float(px_per_tangent(references[channel], frame)) if channel in references else np.nan
