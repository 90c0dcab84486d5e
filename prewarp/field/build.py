"""`fit_grid`: a distortion grid in, the fields of all its channels and colours out."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from prewarp import __version__
from prewarp.checking import require_no_error
from prewarp.checking.panels import check_colours, check_panels
from prewarp.checking.values import check_pupil_range
from prewarp.checks import IntArray, extent
from prewarp.cores import one_blas_thread
from prewarp.errors import FitError, FoldError
from prewarp.field.border import captured_border, hull_corners
from prewarp.field.captured import Captured, captured_by
from prewarp.field.dark import lit_regions
from prewarp.field.field import Field
from prewarp.field.fieldset import ChannelReport, FieldSet
from prewarp.field.fold import find_fold
from prewarp.field.working import channels_at_once
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.fit import ChannelSamples, FitResult, fit_channel, prepare_channel, require_family
from prewarp.fitting.models import PolynomialModel
from prewarp.grids import Grid
from prewarp.pupils.shown import position_keys
from prewarp.records import Number, Numbers, shown

# How far beyond the captured dots the border lies, in dot spacings: the first at which the map does not fold.
BORDER_GROWTH = (1.0, 0.5, 0.0)
# Beyond any eye box: a wrong unit or a slip of the pen, which no fit survives.
FARTHEST_PUPIL_MM = 1000.0
_SIZE = Numbers(Number(1, 32768, "px", whole=True), 2, 2)


@dataclass(frozen=True)
class _FittedChannel:
    """Fields of one channel by (channel, colour), what the fit found, and what was captured."""

    fields: dict[tuple[str, str], Field]
    report: ChannelReport
    captured: Captured


def fit_grid(
    grid: Grid,
    /,
    *,
    panel_size_px: tuple[int, int] | Mapping[str, tuple[int, int]],
    family: str = "auto",
    progress: Callable[[str, int, int], None] | None = None,
    threads: int | None = None,
    pupils_estimated: bool = False,
    base: FieldSet | None = None,
    most_pupil_degree: int | None = None,
    start: PolynomialModel | None = None,
) -> FieldSet:
    """Fit every channel and colour of a grid.

    Parameters
    ----------
    grid : Grid
        Rows that are not finite are left out and counted.
    panel_size_px : (int, int) or mapping of channel name to (int, int)
        Panel width and height.
    family : str
        "polynomial"; "mesh": cubic B-splines on a polynomial trend; or "auto": a polynomial, with splines
        where its residuals hang together and cross-validation takes them.
    progress : callable, optional
        Called with (channel, channels done, channels) after each channel.
    threads : int, optional
        Channels fitted at the same time; where not given two, or one where memory does not hold both. Two
        gain about a third on two free cores, and cost as much where other work waits.
    pupils_estimated : bool
        Pupil positions were found from these very samples (`prewarp.poses`): no model is judged by pupil
        positions left out, which would tell how well their poses are known.
    base : FieldSet, optional
        An earlier fit of the unit, or one of its design's trace: only what the grid differs by from it is
        fitted, which few pupil positions show. Its channels count as they were captured, not as registered.
    most_pupil_degree : int, optional
        Highest degree over the pupil that is tried.
    start : PolynomialModel, optional
        A model that was found to follow each colour of these samples: the search goes on from it.

    Returns
    -------
    FieldSet

    Raises
    ------
    GridError
        A colour that one channel lacks, more than 1 % of a channel's rows off its panel, or absurd values.
    FitError
        Too few samples, a channel without panel size, an unknown family, or a base without a channel or
        colour of the grid, or of other panels.
    FoldError
        A fitted map folds within the border of its samples; names panel point and pupil.
    PrewarpError
        Memory does not hold the fit, with `threads` not given.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> fields.channels, fields.colours
    (('inner', 'outer'), ('G', 'R', 'B'))
    """
    require_family(family, is_difference=base is not None)
    work = checked_panel_sizes(grid, panel_size_px)
    threads = channels_at_once(grid) if threads is None else threads
    reference = grid.reference_colour
    colours = (reference, *(name for name in grid.colour_names if name != reference))

    bases = {} if base is None else {name: base_expansions(base, name, colours, work[name]) for name in work}

    def fit_one(job: tuple[str, tuple[int, int]]) -> _FittedChannel:
        name, size = job
        known = bases.get(name)
        return _fit_one_channel(
            grid, name, size, colours, family, pupils_estimated, known, most_pupil_degree, start
        )

    results = []
    # Channels are independent; numpy and LAPACK leave the interpreter free while they work. One BLAS thread
    # for all of them, set here and not in each: the setting is the process's, and the channel that ends first
    # would undo it for the other, in the middle of a sum. With two threads small factorisations are slower
    # besides.
    with one_blas_thread(), ThreadPoolExecutor(threads) as pool:
        for (name, _), result in zip(work.items(), pool.map(fit_one, work.items()), strict=True):
            results.append(result)
            if progress is not None:
                progress(name, len(results), len(work))
    finite = grid.pupil_mm.take(np.flatnonzero(grid.finite), axis=0)
    return FieldSet(
        fields={key: field for one in results for key, field in one.fields.items()},
        pupil_box_mm=extent(finite),
        reports=tuple(one.report for one in results),
        provenance={
            "prewarp": __version__,
            "grid": Path(grid.source).name,
            "grid_sha256": grid.sha256,
            "family": family,
            "panel_size_px": {name: list(size) for name, size in work.items()},
            **({} if base is None else {"base": _described(base)}),
        },
        captured={one.report.channel: one.captured for one in results},
    )


def checked_panel_sizes(
    grid: Grid, panel_size_px: tuple[int, int] | Mapping[str, tuple[int, int]], /
) -> dict[str, tuple[int, int]]:
    """Return the panel size of each channel of a grid that can be fitted; raises as `fit_grid` does."""
    sizes = _panel_sizes(grid, panel_size_px)
    findings = (*check_pupil_range(grid, FARTHEST_PUPIL_MM), *check_panels(grid, sizes), *check_colours(grid))
    require_no_error(grid.source, findings)
    return sizes


def base_expansions(
    base: FieldSet, channel: str, colours: Sequence[str], size_px: tuple[int, int], /
) -> tuple[Expansion, ...]:
    """Return the expansions of a base's channel, one per colour.

    Raises
    ------
    FitError
        The base lacks the channel or a colour, or has another panel there.
    """
    fields = [base.field(channel, colour) for colour in colours]
    for field in fields:
        if field.panel_size_px != size_px:
            raise FitError(
                f"base: channel '{channel}' has {field.panel_size_px} px; the grid's panel has {size_px}. "
                "Give a fit of this display.",
                channel=channel,
            )
    return tuple(field.expansion for field in fields)


def _described(base: FieldSet) -> dict[str, object]:
    return {key: base.provenance.get(key) for key in ("grid", "grid_sha256")}


def _panel_sizes(
    grid: Grid, panel_size_px: tuple[int, int] | Mapping[str, tuple[int, int]]
) -> dict[str, tuple[int, int]]:
    sizes = {}
    for name in grid.channel_names:
        given = panel_size_px
        if isinstance(given, Mapping):
            if name not in given:
                raise FitError(
                    f"{grid.source}: channel '{name}' has no panel size; there are {', '.join(given)}.",
                    channel=name,
                )
            given = given[name]
        if isinstance(given, Sequence | np.ndarray) and not isinstance(given, str):
            given = np.asarray(given).tolist()
        accepted, reason = _SIZE.accept(given)
        if reason:
            raise FitError(
                f"panel_size_px is {shown(given)}{reason} for channel '{name}'; expected width and height, "
                f"{_SIZE.expected}, such as (2560, 1440).",
                channel=name,
            )
        sizes[name] = accepted
    return sizes


def _fit_one_channel(
    grid: Grid,
    channel: str,
    size: tuple[int, int],
    colours: tuple[str, ...],
    family: str,
    pupils_estimated: bool,
    base: tuple[Expansion, ...] | None,
    most_pupil_degree: int | None,
    start: PolynomialModel | None,
) -> _FittedChannel:
    # The channel's own rows are as many bytes as its samples: they are there before the fit and after it.
    prepared = _prepared(grid, channel, size, colours, pupils_estimated, base, most_pupil_degree)
    result = fit_channel(prepared, family=family, base=base, start=start)
    del prepared
    part = grid.select(channel=channel)
    good = np.flatnonzero(part.finite & ~result.outlier)
    pixel, tangent, pupils = (array.take(good, axis=0) for array in (part.pixel, part.tangent, part.pupil_mm))
    spacing = _spacing_px(pixel, pupils, len(colours))
    captured = captured_by(pupils, tangent, pupil_functions=result.pupil_functions, unseen=result.unseen)
    directions = hull_corners(tangent)
    pixel = hull_corners(pixel)
    box = extent(pupils)
    report, outlier = _report(part, channel, colours, result), result.outlier
    expansions = result.expansions
    # What is found of light needs as much memory again: what is done with is given back.
    del good, tangent, pupils, result
    for growth in BORDER_GROWTH:
        border = captured_border(pixel, growth * spacing, size)
        fields = {
            (channel, name): Field(channel, name, size, expansion, directions, border)
            for name, expansion in zip(colours, expansions, strict=True)
        }
        folds = {key: find_fold(field, box) for key, field in fields.items()}
        if not any(fold.folds for fold in folds.values()):
            break
    for (_, name), fold in folds.items():
        if fold.folds:
            u, v = fold.pixel
            x, y, z = fold.pupil_mm
            raise FoldError(
                f"channel '{channel}', {name}: the map folds at u={u:.0f} v={v:.0f} px for pupil ({x:.1f}, "
                f"{y:.1f}, {z:.1f}) mm ({100 * fold.share:.2g} % of panel and eye box). Check the grid for "
                "mixed-up rows; capture more there.",
                channel=channel,
                colour=name,
                pixel=fold.pixel,
                pupil_mm=fold.pupil_mm,
            )
    regions = lit_regions(
        part,
        {name: fields[channel, name] for name in colours},
        captured,
        left_out=outlier,
        spacing_px=spacing,
    )
    fields |= {(channel, name): replace(fields[channel, name], lit=lit) for name, lit in regions.items()}
    return _FittedChannel(fields, report, captured)


def _prepared(
    grid: Grid,
    channel: str,
    size: tuple[int, int],
    colours: tuple[str, ...],
    pupils_estimated: bool,
    base: tuple[Expansion, ...] | None,
    most_pupil_degree: int | None,
) -> ChannelSamples:
    """Return a channel's samples of a grid, ready to be fitted."""
    rows = np.flatnonzero(grid.channel == grid.channel_names.index(channel))
    return prepare_channel(
        channel=channel,
        panel_size_px=size,
        pixel=grid.pixel.take(rows, axis=0),
        tangent=grid.tangent.take(rows, axis=0),
        pupil_mm=grid.pupil_mm.take(rows, axis=0),
        sigma_px=None if grid.sigma_px is None else grid.sigma_px[rows],
        colour=_colours_of(grid.colour[rows], grid.colour_names, colours),
        colour_names=colours,
        pupils_estimated=pupils_estimated,
        base=base,
        most_pupil_degree=most_pupil_degree,
    )


def _colours_of(codes: IntArray, names: tuple[str, ...], colours: tuple[str, ...]) -> IntArray:
    """Return codes (n,) into `colours` from those into `names`."""
    return np.array([colours.index(name) for name in names], dtype=np.int32)[codes]


def _report(part: Grid, channel: str, colours: tuple[str, ...], result: FitResult) -> ChannelReport:
    colour = _colours_of(part.colour, part.colour_names, colours)
    good = np.isfinite(result.residual_px) & ~result.outlier
    rms = [
        float(np.sqrt(np.mean(result.residual_px[good & (colour == code)] ** 2)))
        for code in range(len(colours))
    ]
    return ChannelReport(
        channel=channel,
        colours=colours,
        model=result.model,
        parameters=result.parameters,
        samples=result.samples,
        dropped=int(np.sum(~np.isfinite(result.residual_px))),
        sigma_px=tuple(float(value) for value in result.sigma_px),
        misfit_px=tuple(float(value) if np.isfinite(value) else None for value in result.misfit_px),
        advice=result.advice,
        rms_px=tuple(rms),
        floor_px=result.floor_px,
        rms_cv_px=result.rms_cv_px,
        outlier_rows=tuple(int(row) for row in part.row[result.outlier]),
        certainty_px=result.certainty_px,
        certainty_pupil_mm=result.certainty_pupil_mm,
    )


def _spacing_px(pixel: np.ndarray, pupil_mm: np.ndarray, colours: int) -> float:
    """Return the typical distance of neighbouring panel points of one pupil position and colour, px."""
    pupils = len(np.unique(position_keys(pupil_mm)))
    per_view = max(len(pixel) / (pupils * colours), 4.0)
    width, height = np.diff(extent(pixel), axis=0)[0]
    return float(np.sqrt(width * height) / (np.sqrt(per_view) - 1.0))
