"""The tracker budget of one seam of an eye: its surface, its focus step, the motion of the eye behind it."""

from dataclasses import replace

import numpy as np

from prewarp.budget.budget import Budget, tracker_budget
from prewarp.budget.eye import EyeMotion
from prewarp.budget.frontier import LATENCIES_MS
from prewarp.budget.residual import lookup_residual
from prewarp.budget.scene import BudgetScene, Limit
from prewarp.budget.surface import seam_surface
from prewarp.checks import FloatArray
from prewarp.errors import FitError
from prewarp.eye import Eye
from prewarp.field import motion_not_known
from prewarp.focus import focus_step
from prewarp.seam import Overlap, lit_ms
from prewarp.tracker import Tracker


def seam_budget(
    eye: Eye,
    overlap: Overlap,
    /,
    *,
    tracker: Tracker | None = None,
    limit: Limit | None = None,
    motion: EyeMotion | None = None,
    lookup_nodes: tuple[int, int, int] | None = None,
    residual_sigma_arcmin: float = 0.0,
    directions: int = 64,
    samples: int | None = None,
    seed: int = 0,
    latencies_ms: tuple[float, ...] = LATENCIES_MS,
) -> Budget:
    """Return how good an eye tracker one seam of an eye needs, in the first colour of the fit.

    Parameters
    ----------
    eye : Eye
        Its nominal eye box bounds the pupil. Where the scans of its panels are known, the latency of each
        direction is the tracker's, to the frame's start, and the time at which the direction is lit.
    overlap : Overlap
        One of `eye.overlaps()`.
    motion : EyeMotion, optional
        How the eye moves; natural movement if not given.
    lookup_nodes : (int, int, int), optional
        Eye positions per axis of a table that is read trilinearly; what it misses counts.
    residual_sigma_arcmin : float
        See `BudgetScene`.
    directions : int
        Directions of the seam looked at, at most.
    tracker, limit, samples, seed, latencies_ms
        See `tracker_budget`.

    Raises
    ------
    FitError
        The capture does not show every motion of the pupil, so there is no verdict.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> eye = prewarp.assemble_eye(fields, module)
    >>> budget = prewarp.seam_budget(eye, eye.overlaps()[0], directions=8, samples=20000)
    >>> budget.verdict
    'no tracker needed'
    """
    lacking = motion_not_known(eye.fields, overlap.channels, "tracker budget of the seam")
    if lacking is not None:
        raise FitError(lacking.text())
    colour, tangent = eye.fields.colours[0], overlap.thinned(directions)
    first, second = (eye.fields.field(name, colour) for name in overlap.channels)
    surface = seam_surface(first, second, tangent, eye_box=eye.eye_box)
    scene = BudgetScene(
        surface,
        motion or EyeMotion(),
        residual_sigma_arcmin=residual_sigma_arcmin,
        lit_ms=lit_times(eye, overlap.channels, tangent),
    )
    if lookup_nodes is not None:
        missed = lookup_residual(first, second, tangent, eye_box=eye.eye_box, nodes=lookup_nodes)
        scene = replace(scene, residual_arcmin=missed)
    return tracker_budget(
        scene,
        tracker=tracker,
        limit=limit,
        focus_step_dioptres=focus_step(eye.fields, overlap.channels, overlap.tangent).step_dioptres,
        samples=None if samples is None else max(samples, len(tangent)),
        seed=seed,
        latencies_ms=latencies_ms,
    )


def lit_times(eye: Eye, channels: tuple[str, str], tangent: FloatArray, /) -> FloatArray | None:
    """Return when directions (m, 2) of a seam are lit, (m,) ms after the frame's start, pupil centred.

    The mean of both channels: to first order the seam error is S_b (e(t_b) - e') - S_a (e(t_a) - e') =
    (S_b - S_a)(e(t) - e') + (S_a + S_b)/2 (e(t_b) - e(t_a)) with t half-way; the last part is no fault of the
    tracker. None where a scan is not declared.
    """
    colour, times = eye.fields.colours[0], []
    for name in channels:
        scan = eye.scans[name]
        if scan is None:
            return None
        times.append(lit_ms(eye.fields.field(name, colour), scan, tangent))
    return np.asarray(np.mean(times, axis=0))
