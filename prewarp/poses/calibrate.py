"""`free_poses` and `fit_free_poses`: a grid whose shots stand and look a little elsewhere than they say."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from prewarp.checks import require_range
from prewarp.errors import FitError
from prewarp.field import FieldSet
from prewarp.fitting.base import trend_of
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.samples import prepare_samples
from prewarp.frames import ARCMIN_PER_RADIAN, cosine_from_tangent, reference_pupil, unit_from_tangent
from prewarp.grids import Grid
from prewarp.poses.estimate import solve_poses
from prewarp.poses.modes import modes_of
from prewarp.poses.prior import Prior
from prewarp.poses.rays import PER_SHOT, Rays
from prewarp.poses.result import PoseEstimate, slips_of
from prewarp.poses.shots import MOST_DIFFERENCE_DEGREE, Shots, shots_of

STAGE_MM, TURN_ARCMIN = 0.1, 1.0
_LEAST_SAMPLES = 24


def free_poses(
    grid: Grid,
    /,
    *,
    panel_size_px: tuple[int, int] | Mapping[str, tuple[int, int]],
    stage_mm: float = STAGE_MM,
    turn_arcmin: float = TURN_ARCMIN,
    threads: int = 2,
    base: FieldSet | None = None,
) -> PoseEstimate:
    """Find where each shot of a capture truly stood and looked.

    Parameters
    ----------
    grid : Grid
        Shots are told apart by the column `pose`, or by their pupil labels. All channels and colours of a
        shot share its pose.
    panel_size_px : (int, int) or mapping of channel name to (int, int)
        Panel width and height.
    stage_mm, turn_arcmin : float
        What is known beforehand: 1-sigma per axis of a shot's place beside its label, and of its turn.
    threads : int
        Channels and colours worked on at the same time.
    base : FieldSet, optional
        An earlier fit of the unit, or one of its design's trace: the field is then a difference to it, of a
        low degree over the pupil, and 8 positions will do.

    Returns
    -------
    PoseEstimate

    Raises
    ------
    GridError
        As `fit_grid`; a row without a pose, a pose with two pupil labels.
    FitError
        Too few pupil positions (a pupil degree of 4 must be decided, of 2 with a base), shots or points; a
        base without a channel or colour of the grid, or of other panels.

    Notes
    -----
    Pose and field are found together: gradient columns of the field (Malus-Dupin) are eliminated at the
    current poses, the seven motions that no capture shows are taken out, and a Student-t prior holds what is
    left. Derived here; elimination as in bundle adjustment (B. Triggs, P. McLauchlan, R. Hartley, A.
    Fitzgibbon, Vision Algorithms, LNCS 1883 (2000) 298, from memory).
    """
    require_range(stage_mm, "stage_mm", 1e-4, 5.0, unit="mm", error=FitError)
    require_range(turn_arcmin, "turn_arcmin", 1e-2, 600.0, unit="arcmin", error=FitError)
    # Slow to import, and most who name a pose fit nothing.
    from prewarp.field.build import base_expansions, checked_panel_sizes

    sizes = checked_panel_sizes(grid, panel_size_px)
    shots = shots_of(grid, with_base=base is not None)
    pupil_degree = pose_pupil_degree(shots, with_base=base is not None)
    pairs = _telling_pairs(grid, shots, pupil_degree)
    rays = [
        _rays(
            grid,
            shots,
            channel,
            colour,
            sizes[channel],
            None if base is None else base_expansions(base, channel, (colour,), sizes[channel])[0],
        )
        for channel, colour in pairs
    ]
    prior = Prior(stage_mm, turn_arcmin / ARCMIN_PER_RADIAN)
    leads = _leads(pairs, grid.reference_colour)
    solution = solve_poses(rays, leads, shots.label_mm, prior, pupil_degree, threads=threads)
    unit = prior.units(len(shots))
    sigma = (np.sqrt(np.diagonal(solution.covariance)) * unit).reshape(-1, PER_SHOT)
    sigma_arcmin = sigma[:, 3:] * ARCMIN_PER_RADIAN
    turns = solution.poses.turn_rad * ARCMIN_PER_RADIAN
    slips = (
        *slips_of(shots, solution.poses.offset_mm, stage_mm, sigma[:, :3], "mm"),
        *slips_of(shots, turns, turn_arcmin, sigma_arcmin, "arcmin"),
    )
    return PoseEstimate(
        shots=shots,
        poses=solution.poses,
        sigma_mm=sigma[:, :3],
        sigma_arcmin=sigma_arcmin,
        stage_mm=stage_mm,
        turn_arcmin=turn_arcmin,
        noise_px={pair: float(noise) for pair, noise in zip(pairs, solution.noise_px, strict=True)},
        covariance=solution.covariance,
        slips=slips,
        modes=modes_of(solution, shots, unit),
        model=solution.model.model,
        scales=solution.scales,
        difference_degree=None if base is None else pupil_degree,
    )


def _telling_pairs(grid: Grid, shots: Shots, pupil_degree: int) -> list[tuple[str, str]]:
    """Return the channels and colours whose shots decide the field's degree over the pupil.

    A colour that was shown at some positions only has no field of its own beside which poses could be told.
    """
    found = []
    for channel, colour in grid.pairs():
        mine = grid.rows_of(channel, colour)
        own = np.unique(shots.of_row[mine & (shots.of_row >= 0)])
        if shots.pupil_degree(pupil_degree, only=own) == pupil_degree:
            found.append((channel, colour))
    if not found:
        raise FitError(
            f"{grid.source}: no colour of any channel was captured at enough pupil positions for free poses. "
            "Show one colour at all of them."
        )
    return found


def _leads(pairs: list[tuple[str, str]], reference: str) -> list[int]:
    """Return the place of the pair that stands for each in the first steps: its channel's reference colour,
    or the first colour that the channel has.
    """
    first = {channel: place for place, (channel, _) in reversed(list(enumerate(pairs)))}
    first |= {channel: place for place, (channel, colour) in enumerate(pairs) if colour == reference}
    return [first[channel] for channel, _ in pairs]


def pose_pupil_degree(shots: Shots, /, *, with_base: bool) -> int:
    """Return the degree over the pupil of the field that is found together with poses."""
    return shots.pupil_degree(MOST_DIFFERENCE_DEGREE) if with_base else shots.pupil_degree()


def fit_free_poses(
    grid: Grid,
    /,
    *,
    panel_size_px: tuple[int, int] | Mapping[str, tuple[int, int]],
    stage_mm: float = STAGE_MM,
    turn_arcmin: float = TURN_ARCMIN,
    family: str = "auto",
    progress: Callable[[str, int, int], None] | None = None,
    threads: int = 2,
    base: FieldSet | None = None,
) -> tuple[FieldSet, PoseEstimate]:
    """Find the poses, move the grid to them, and fit it; arguments as `free_poses` and `fit_grid`.

    The fit's provenance says that poses were free, and which modes of them are weak or lost.
    """
    found = free_poses(
        grid,
        panel_size_px=panel_size_px,
        stage_mm=stage_mm,
        turn_arcmin=turn_arcmin,
        threads=threads,
        base=base,
    )
    from prewarp.field import fit_grid

    fields = fit_grid(
        found.moved(grid),
        panel_size_px=panel_size_px,
        family=family,
        progress=progress,
        threads=threads,
        pupils_estimated=True,
        base=base,
        most_pupil_degree=found.difference_degree,
        start=found.model,
    )
    return found.stated_in(fields), found


def _rays(
    grid: Grid, shots: Shots, channel: str, colour: str, size: tuple[int, int], base: Expansion | None
) -> Rays:
    """Return the finite rays of one channel and colour, sorted as samples are."""
    mine = grid.rows_of(channel, colour)
    usable = mine & (shots.of_row >= 0)
    if grid.sigma_px is not None:
        usable &= np.isfinite(grid.sigma_px) & (grid.sigma_px > 0.0)
    rows = np.flatnonzero(usable)
    if len(rows) < _LEAST_SAMPLES:
        raise FitError(
            f"{grid.source}: channel '{channel}', {colour}: {len(rows)} usable samples; expected at least "
            f"{_LEAST_SAMPLES}. Capture more, or leave the colour out.",
            channel=channel,
            colour=colour,
        )
    tangent, pupil_mm = grid.tangent[rows], grid.pupil_mm[rows]
    samples = prepare_samples(
        panel_size_px=size,
        pixel=grid.pixel[rows],
        cosine=cosine_from_tangent(tangent),
        reference_mm=reference_pupil(tangent, pupil_mm),
        pupil_mm=pupil_mm,
        sigma_px=np.ones(len(rows)) if grid.sigma_px is None else grid.sigma_px[rows],
        colour=np.zeros(len(rows), dtype=int),
        colours=1,
        pupils_estimated=True,
        frames=None if base is None else (base.frame, trend_of(base).half),
    )
    # No sample is left out to judge a model: one cell.
    cell = np.full(len(rows), -1)
    samples = replace(samples, pupil_group=cell, dot_group=cell)
    order = samples.row
    return Rays(samples, unit_from_tangent(tangent[order]), pupil_mm[order], shots.of_row[rows][order], base)
