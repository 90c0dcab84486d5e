"""A unit from its views: the sum of modes first, then about the trace of what was found.

y = B x is linear; the trace of a unit is not: terms of second order in the tolerances are 0.03 px of the
folded demo, products of a pose and a tolerance 0.01 px, the nominal field's own misfit 0.003 px, and all
shots share them. So the camera's rays, from where it was found to stand, are traced through the optics that
were found, and what the dots are off by is solved for again, with the same slopes: an error of one per cent
of the slopes leaves one per cent of each step. A family from fits has nothing to trace: there its own field,
the sum of modes, stands for the unit, and what is solved for again are products of poses with modes and with
each other.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from prewarp.checks import FloatArray
from prewarp.errors import TraceError
from prewarp.frames import cosine_from_tangent, reference_pupil, unit_from_tangent
from prewarp.line.estimate import Estimate, estimate
from prewarp.line.family import Family
from prewarp.line.rows import PosePrior, Seen, View
from prewarp.line.tracing import traced_rays
from prewarp.poses.rays import OFFSET, PER_SHOT, TURN
from prewarp.trace import DesignChannel

# Steps after the first solution; none is needed after one of which so large a part is below what noise hides.
STEPS = 6
_SLOPE_ERROR = 0.02
# Of the dots of a view so many must come through the optics that were found, or these are not a unit's.
_LEAST_SHARE = 0.8


def solved(family: Family, views: Sequence[View], shots: int, prior: PosePrior, /) -> Estimate:
    """Return the posterior of a unit from its views.

    Of a unit far off its family the trace may fail; then what the sum of modes gave is returned.
    """
    unknowns = family.count + PER_SHOT * shots
    found = estimate(views, unknowns)
    for _ in range(STEPS):
        about = _about(family, views, found.mean, prior)
        if about is None:
            break
        before, found = found, estimate(about, unknowns)
        step = found.mean - before.mean
        moved = np.concatenate([view.matrix @ step[view.places] for view in about])
        if _SLOPE_ERROR * float(np.linalg.norm(moved)) < found.noise_px:
            break
    return found


def _about(family: Family, views: Sequence[View], mean: FloatArray, prior: PosePrior) -> list[View] | None:
    """Return the views' equations about a unit and its poses, as found; None where its rays are lost."""
    if family.design is None:
        return [_shown_anew(family, view, mean, prior) for view in views]
    return _retraced(family, views, mean, prior)


def _placed(view: View, mean: FloatArray, prior: PosePrior) -> tuple[FloatArray, FloatArray]:
    """Return directions (n, 2), tangents, and pupils (n, 3), mm, of a view's rays with its pose as found."""
    pose = mean[view.places][-PER_SHOT:] * prior.sigmas
    unit = unit_from_tangent(view.seen.tangent) @ Rotation.from_rotvec(pose[TURN]).as_matrix().T
    return unit[:, :2] / unit[:, 2:], view.seen.label_mm + pose[OFFSET]


def _shown_anew(family: Family, view: View, mean: FloatArray, prior: PosePrior) -> View:
    own, seen, x = family.channels[view.seen.channel], view.seen, mean[view.places]
    field = own.expansion(family.colours.index(seen.colour), x[:-PER_SHOT])
    tangent, pupil_mm = _placed(view, mean, prior)
    value, jacobian = field.values_and_jacobian(seen.pixel, reference_pupil(tangent, pupil_mm))
    missed = (cosine_from_tangent(tangent) - value.T)[..., None]
    rest = np.linalg.solve(np.moveaxis(jacobian, -1, 0), missed).reshape(-1)
    return replace(view, side=rest + view.matrix @ x)


def _retraced(family: Family, views: Sequence[View], mean: FloatArray, prior: PosePrior) -> list[View] | None:
    optics: dict[str, DesignChannel] = {}
    result = []
    for view in views:
        name = view.seen.channel
        try:
            if name not in optics:
                optics[name] = family.optics_of(name, mean[: family.count])
        except TraceError:
            return None
        own, rays = family.channels[name], family.channels[name].optics
        if rays is None:
            return None
        tangent, pupil_mm = _placed(view, mean, prior)
        pixel, valid = traced_rays(
            optics[name],
            own.basis.panel.size_px,
            rays.pitch_um,
            tangent,
            pupil_mm,
            family.wavelengths_nm[family.colours.index(view.seen.colour)],
        )
        if np.mean(valid) < _LEAST_SHARE:
            return None
        twice = np.repeat(valid, 2)
        matrix, seen = view.matrix[twice], _those(view.seen, valid)
        # At a fixed direction the trace moves against the field at a fixed panel point.
        side = (pixel[valid] - seen.pixel).reshape(-1) + matrix @ mean[view.places]
        figure, rest = view.figure[twice], view.rest[twice]
        result.append(replace(view, seen=seen, matrix=matrix, side=side, figure=figure, rest=rest))
    return result


def _those(seen: Seen, kept: np.ndarray) -> Seen:
    return Seen(seen.channel, seen.colour, seen.pixel[kept], seen.tangent[kept], seen.label_mm[kept])
