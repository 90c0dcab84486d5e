"""Rows of a unit's grid as linear equations for what the unit is: y = B x + noise, panel px.

x: coefficients of the family in prior sigmas, then offset and turn of every camera position in prior sigmas,
shared by both channels and all colours of a shot. y is J^-1 (q - q_0), J the nominal map's slope at the dot.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.frames import cosine_from_tangent, unit_from_tangent
from prewarp.line.family import Family
from prewarp.poses.rays import PER_SHOT, pose_slopes


@dataclass(frozen=True)
class PosePrior:
    """How far a camera position may be off its label (`offset_mm`, each axis) and its pointing
    (`turn_arcmin`, about each axis), 1-sigma.
    """

    offset_mm: float = 0.1
    turn_arcmin: float = 1.0

    @property
    def sigmas(self) -> FloatArray:
        """One sigma of offset and turn (6,), mm and radians."""
        return np.repeat([self.offset_mm, np.radians(self.turn_arcmin / 60.0)], 3)


@dataclass(frozen=True)
class Seen:
    """What one shot saw of a channel and colour: `pixel` (n, 2) px; `tangent` (n, 2) as the camera says;
    `label_mm` (n, 3).
    """

    channel: str
    colour: str
    pixel: FloatArray
    tangent: FloatArray
    label_mm: FloatArray


@dataclass(frozen=True)
class View:
    """Equations of what one shot saw of a channel and colour.

    `matrix` (2 n, a): u and v of every dot in turn; `side` (2 n,), px; `places` (a,): which unknowns the
    columns belong to. `figure` (2 n, t): what figure terms that no mode holds would add. `rest` (2 n, r): one
    sigma of what the family's modes leave, with `common` as in `Remainder`; r is 0 where nothing is told.
    """

    seen: Seen
    matrix: FloatArray
    side: FloatArray
    places: IntArray
    figure: FloatArray
    rest: FloatArray
    common: float = 0.0


def view_of(family: Family, seen: Seen, shot: int, prior: PosePrior, /) -> View:
    """Return the equations of what shot number `shot` saw."""
    own, colour = family.channels[seen.channel], family.colours.index(seen.colour)
    reference = seen.label_mm[:, :2] - seen.label_mm[:, 2:] * seen.tangent
    nominal = own.expansion(colour)
    value, jacobian = nominal.values_and_jacobian(seen.pixel, reference)
    px_per_cosine = np.linalg.inv(np.moveaxis(jacobian, -1, 0))
    known = [own.modes[colour], own.figure_modes]
    if own.remainder is not None:
        known.append(own.remainder.columns)
    both = np.concatenate(known, axis=1)
    moved = own.basis.sums(seen.pixel, reference, both).transpose(0, 2, 1)
    modes, terms, rest = np.split(moved, np.cumsum([one.shape[1] for one in known[:2]]), axis=2)
    unit = unit_from_tangent(seen.tangent)
    poses = pose_slopes(
        unit, seen.tangent, seen.label_mm[:, 2], nominal.pupil_jacobian(seen.pixel, reference)
    )
    poses = np.moveaxis(poses * prior.sigmas[:, None, None], 0, -1)
    columns = np.concatenate([modes, poses, terms, rest], axis=2)
    whole = np.matmul(px_per_cosine, columns.transpose(1, 0, 2)).reshape(-1, columns.shape[2])
    ends = np.cumsum([modes.shape[2] + PER_SHOT, terms.shape[2]])
    missed = cosine_from_tangent(seen.tangent) - value.T
    side = np.matmul(px_per_cosine, missed[:, :, None]).reshape(-1)
    places = np.concatenate(
        [family.places_of(seen.channel), family.count + PER_SHOT * shot + np.arange(PER_SHOT)]
    )
    matrix, figure, left = np.split(whole, ends, axis=1)
    common = 0.0 if own.remainder is None else own.remainder.common
    return View(seen, matrix, side, places, figure, left, common)
