"""What was found of the poses of a capture: numbers, sigma, slips, modes, and the words for them."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import FitError
from prewarp.field import FieldSet
from prewarp.fitting.models import PolynomialModel
from prewarp.frames import ARCMIN_PER_RADIAN, degrees_from_tangent, unit_from_tangent
from prewarp.grids import Grid
from prewarp.grids.table import forward_tangent
from prewarp.poses.exchanged import exchanged_shots
from prewarp.poses.modes import Modes
from prewarp.poses.prior import FAMILIES
from prewarp.poses.rays import Poses, turned_units
from prewarp.poses.shots import Shots

# A shot farther off its label than this many sigma slipped.
SLIP_SIGMA = 5.0
# A stage whose offsets or turns are this much larger than stated is called so.
_WORSE = 1.5


@dataclass(frozen=True)
class Slip:
    """A shot that stands or looks elsewhere than its label by more than SLIP_SIGMA sigma of the stage.

    `length` its offset in mm or its turn in arcmin (`unit`); `sigmas` that over sigma, both the stage's and
    the estimate's own.
    """

    shot: str
    pupil_mm: tuple[float, float, float]
    length: float
    unit: str
    sigmas: float

    def line(self) -> str:
        """Return the slip as one line for people."""
        verb = "stands" if self.unit == "mm" else "is turned by"
        off = " beside its label" if self.unit == "mm" else ""
        return (
            f"shot {self.shot} slipped: it {verb} {self.length:.3g} {self.unit}{off} ({self.sigmas:.0f} "
            "sigma). It is used where it was found to be; capture it again if it matters."
        )


@dataclass(frozen=True)
class PoseEstimate:
    """Poses of a capture's shots, in the order of `shots`.

    `sigma_mm` (k, 3) and `sigma_arcmin` (k, 3): 1-sigma of offset and turn, common motions included: those
    are as uncertain as the labels. `stage_mm`, `turn_arcmin`: sigma stated beforehand. `noise_px` by
    (channel, colour). `covariance` (6 k, 6 k) of offset x, y, z and turn x, y, z of each shot, per stated
    sigma. `model` the columns of each channel and colour. `scales`: to which part of what was stated the
    shots themselves narrow it (`prior.FAMILIES`). `difference_degree`: over the pupil, of the difference to a
    base that was found with the poses.
    """

    shots: Shots
    poses: Poses
    sigma_mm: FloatArray
    sigma_arcmin: FloatArray
    stage_mm: float
    turn_arcmin: float
    noise_px: dict[tuple[str, str], float]
    covariance: FloatArray
    slips: tuple[Slip, ...]
    modes: Modes
    model: PolynomialModel
    scales: tuple[float, ...]
    difference_degree: int | None = None

    @property
    def turn_found_arcmin(self) -> FloatArray:
        """Turn of each shot, (k, 3) rotation vectors in arcmin."""
        return self.poses.turn_rad * ARCMIN_PER_RADIAN

    @property
    def scatter(self) -> tuple[float, float]:
        """Size of offsets (mm) and turns (arcmin) per axis, by the median: slips do not count."""
        return (_per_axis(self.poses.offset_mm), _per_axis(self.turn_found_arcmin))

    @property
    def exchanged(self) -> tuple[tuple[str, str], ...]:
        """Names of shots whose photographs look exchanged, two and two."""
        slipped = {slip.shot for slip in self.slips if slip.unit == "mm"}
        numbers = [k for k, name in enumerate(self.shots.names) if name in slipped]
        found = exchanged_shots(self.shots.label_mm, self.poses.offset_mm, numbers)
        return tuple((self.shots.names[one], self.shots.names[other]) for one, other in found)

    def moved(self, grid: Grid, /) -> Grid:
        """Return the grid with pupils where the shots were found to be, and directions turned accordingly.

        Rows that are not finite stay as they are.
        """
        if len(grid) != len(self.shots.of_row):
            raise FitError(
                f"{grid.source}: {len(grid)} rows; the poses are of a grid of {len(self.shots.of_row)} rows."
            )
        rows = np.flatnonzero(self.shots.of_row >= 0)
        shot = self.shots.of_row[rows]
        pupil_mm, tangent = grid.pupil_mm.copy(), grid.tangent.copy()
        pupil_mm[rows] += self.poses.offset_mm[shot]
        unit = turned_units(unit_from_tangent(tangent[rows]), shot, self.poses)
        tangent[rows] = unit[:, :2] / unit[:, 2:]
        angles = grid.direction_deg.copy()
        angles[rows] = degrees_from_tangent(tangent[rows])
        return replace(grid, pupil_mm=pupil_mm, tangent=forward_tangent(angles), direction_deg=angles)

    def stated_in(self, fields: FieldSet, /) -> FieldSet:
        """Return a fit whose provenance says that poses were free, and which modes are weak or lost."""
        said = {
            "poses": "free",
            "stage_mm": self.stage_mm,
            "turn_arcmin": self.turn_arcmin,
            "pose_modes": self.modes.as_dict(),
        }
        return replace(fields, provenance={**fields.provenance, **said})

    def lines(self) -> list[str]:
        """Return what people must know, one sentence or two a line."""
        mm, arcmin = self.scatter
        lines = [
            f"poses of {len(self.shots)} shots found: offsets {mm:.2g} mm and turns {arcmin:.2g} arcmin "
            f"per axis (stated {self.stage_mm:g} mm, {self.turn_arcmin:g} arcmin)."
        ]
        if mm > _WORSE * self.stage_mm or arcmin > _WORSE * self.turn_arcmin:
            lines.append(
                "the stage is worse than stated, so the sigma of all that is weakly known is too "
                f"small. State {max(mm, self.stage_mm):.2g} mm and "
                f"{max(arcmin, self.turn_arcmin):.2g} arcmin."
            )
        if min(self.scales) < 1.0:
            parts = (f"{name} {scale:.2g}" for name, scale in zip(FAMILIES, self.scales, strict=True))
            lines.append(
                "the shots themselves say that they are better than stated, so less was taken as the sigma "
                f"beforehand, as fractions: {', '.join(parts)}."
            )
        lines += [
            f"the photographs of shots {one} and {other} look exchanged: each stands where the other is "
            "labelled. They are used where they were found to be; exchange their positions in the grid and "
            "fit again."
            for one, other in self.exchanged
        ]
        told = {name for pair in self.exchanged for name in pair}
        lines += [slip.line() for slip in self.slips if slip.shot not in told]
        return lines + self.modes.lines()

    def as_dict(self) -> dict[str, Any]:
        """Return `poses` and `modes` for machines, with slips and what to capture next."""
        return {
            "poses": [
                {
                    "shot": name,
                    "pupil_mm": label.tolist(),
                    "offset_mm": offset.tolist(),
                    "turn_arcmin": turn.tolist(),
                    "sigma_mm": sigma_mm.tolist(),
                    "sigma_arcmin": sigma_arcmin.tolist(),
                }
                for name, label, offset, turn, sigma_mm, sigma_arcmin in zip(
                    self.shots.names,
                    self.shots.label_mm,
                    self.poses.offset_mm,
                    self.turn_found_arcmin,
                    self.sigma_mm,
                    self.sigma_arcmin,
                    strict=True,
                )
            ],
            "modes": self.modes.as_dict(),
            "capture_next": self.modes.capture_next(),
            "slips": [
                {
                    "shot": slip.shot,
                    "pupil_mm": list(slip.pupil_mm),
                    "size": slip.length,
                    "unit": slip.unit,
                    "sigmas": slip.sigmas,
                }
                for slip in self.slips
            ],
            "exchanged": [list(pair) for pair in self.exchanged],
            "stage": {
                "stated_mm": self.stage_mm,
                "stated_arcmin": self.turn_arcmin,
                "found_mm": self.scatter[0],
                "found_arcmin": self.scatter[1],
            },
        }


def slips_of(shots: Shots, vectors: FloatArray, stated: float, sigma: FloatArray, unit: str, /) -> list[Slip]:
    """Return the shots whose vectors (k, 3) are too long for a stage of `stated` sigma per axis.

    A stage that is worse than stated has no slips for it: its own scatter counts where it is larger. `sigma`
    (k, 3) of the estimate: what is hardly known is not called a slip.
    """
    length = np.linalg.norm(vectors, axis=1)
    known = np.linalg.norm(sigma, axis=1) / np.sqrt(3.0)
    sigmas = length / np.maximum(max(stated, _per_axis(vectors)), known)
    return [
        Slip(shots.names[k], tuple(shots.label_mm[k].tolist()), float(length[k]), unit, float(sigmas[k]))
        for k in np.flatnonzero(sigmas > SLIP_SIGMA)
    ]


def _per_axis(vectors: FloatArray) -> float:
    """Return the size per axis of vectors (k, 3) by the median length, 1.5382 sigma of a normal one.

    The median of chi with 3 degrees of freedom: sqrt(2.36597), common tables.
    """
    return float(np.median(np.linalg.norm(vectors, axis=1)) / 1.53817)
