"""What a capture tells of its poses, and what it cannot: modes that are observable, weak or lost.

A mode is a common pattern of offsets and turns, in units of what was known beforehand. Families are fixed:
the seven common motions, which no capture shows (`gauge.py`); wavefronts common to all dots; the entrance
pupil along the camera's axis; all other patterns. A mode is judged by its sigma as a share of what was known
beforehand, everything else unknown within its own prior.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.frames import ARCMIN_PER_RADIAN
from prewarp.poses.estimate import Solution
from prewarp.poses.gauge import similarity_vectors
from prewarp.poses.rays import PER_SHOT
from prewarp.poses.shots import Shots

# Sigma as a share of what was known beforehand: observable below the first, lost above the second.
OBSERVABLE_SHARE, LOST_SHARE = 0.5, 0.95
# Part of the pattern "entrance pupil off along the camera's axis" that is no common shift.
_APART = 0.02
SHIFT, TURN, SCALE, WAVEFRONT, OTHERS = "shift", "turn", "scale", "common wavefront", "single shots"
PUPIL = "entrance pupil along the camera's axis"

_NEEDS = {
    SHIFT: "a mark whose place in the eye box is known",
    TURN: "a mark whose direction is known",
    SCALE: "one known image distance",
    WAVEFRONT: "shots at other depths: alternate z by +-2 mm from shot to shot",
    PUPIL: "some shots with the camera turned by 10 degrees or more, and yaw_deg, pitch_deg in the grid",
    OTHERS: "more points a shot, or more channels and colours",
}
_MEANS = {
    WAVEFRONT: (
        "turns that both channels share, smooth over the eye box. They make absolute swim "
        "and image vergence as uncertain as the camera's turns, but cancel in the seam. A "
        "field that was found to be its own mirror image is assumed to be so in these turns "
        "too"
    ),
    PUPIL: "it acts as a common shift along z",
    OTHERS: "poses of some shots are hardly better known than before",
}


@dataclass(frozen=True)
class Mode:
    """A family of modes of one kind: `name`; `count` of them; `sigma_share` (lowest, highest) sigma over what
    was known beforehand; `means` and `needs` in words, empty for observable ones.
    """

    name: str
    count: int
    sigma_share: tuple[float, float]
    means: str = ""
    needs: str = ""

    def line(self) -> str:
        """Return the mode as one line for people."""
        low, high = self.sigma_share
        share = f"{low:.2g}" if f"{low:.2g}" == f"{high:.2g}" else f"{low:.2g} to {high:.2g}"
        text = f"{self.name} ({self.count}), sigma {share} of what was known before"
        if self.means:
            text += f": {self.means}"
        return text + (f". Not known: needs {self.needs}." if self.needs else ".")

    def as_dict(self) -> dict[str, Any]:
        """Return the mode for machines."""
        return {
            "name": self.name,
            "count": self.count,
            "sigma_share": list(self.sigma_share),
            "means": self.means or None,
            "needs": self.needs or None,
        }


@dataclass(frozen=True)
class Modes:
    """All modes of a capture: 6 for each shot in sum, the entrance pupil's named besides."""

    observable: tuple[Mode, ...]
    weak: tuple[Mode, ...]
    lost: tuple[Mode, ...]

    def lines(self) -> list[str]:
        """Return lines for people."""
        named = (("observable", self.observable), ("weak", self.weak), ("lost", self.lost))
        return [f"poses, {kind}: {mode.line()}" for kind, modes in named for mode in modes]

    def capture_next(self) -> list[str]:
        """Return what would free what is weak or lost, each once."""
        return list(dict.fromkeys(mode.needs for mode in (*self.lost, *self.weak)))

    def as_dict(self) -> dict[str, Any]:
        """Return the modes for machines."""
        return {
            name: [mode.as_dict() for mode in getattr(self, name)] for name in ("observable", "weak", "lost")
        }


def modes_of(solution: Solution, shots: Shots, unit: FloatArray, /) -> Modes:
    """Return what the samples tell of the poses; `unit` (6 k,) sigma of every unknown beforehand."""
    place = shots.label_mm + solution.poses.offset_mm
    waves = solution.waves
    both = np.concatenate([solution.common, waves])
    rest = np.linalg.svd(both)[2][len(both) :]
    found: dict[int, list[Mode]] = {0: [], 1: [], 2: list(_common_motions(place, unit))}
    for name, patterns in ((WAVEFRONT, waves), (OTHERS, rest)):
        shares = np.sqrt(np.linalg.eigvalsh(patterns @ solution.covariance @ patterns.T))
        ranks = np.array([_rank(share) for share in shares])
        for rank in np.unique(ranks):
            own = shares[ranks == rank]
            found[rank].append(_mode(name, len(own), own.min(), own.max(), known=rank == 0))
    share = _entrance_pupil(solution, shots, unit)
    found[_rank(share)].append(_mode(PUPIL, 1, share, share, known=_rank(share) == 0))
    return Modes(*(tuple(found[rank]) for rank in range(3)))


def _common_motions(place_mm: FloatArray, unit: FloatArray) -> list[Mode]:
    """Return shift, turn and scale, with how well labels alone tell them if shots err independently."""
    sizes = 1.0 / np.linalg.norm(similarity_vectors(place_mm) / unit, axis=1)
    shift, turn, scale = sizes[:3].max(), sizes[3:6].max() * ARCMIN_PER_RADIAN, 100.0 * sizes[6]
    alone = "known from the labels alone, at best to"
    return [
        Mode(SHIFT, 3, (1.0, 1.0), f"the origin of the eye box is {alone} {shift:.2g} mm", _NEEDS[SHIFT]),
        Mode(TURN, 3, (1.0, 1.0), f"straight ahead is {alone} {turn:.2g} arcmin", _NEEDS[TURN]),
        Mode(SCALE, 1, (1.0, 1.0), f"absolute dioptres are {alone} {scale:.2g} per cent", _NEEDS[SCALE]),
    ]


def _rank(share: float) -> int:
    """Return 0 for observable, 1 for weak, 2 for lost."""
    return int(share > OBSERVABLE_SHARE) + int(share > LOST_SHARE)


def _mode(name: str, count: int, low: float, high: float, *, known: bool) -> Mode:
    shares = float(low), float(high)
    return Mode(name, count, shares) if known else Mode(name, count, shares, _MEANS[name], _NEEDS[name])


def _entrance_pupil(solution: Solution, shots: Shots, unit: FloatArray) -> float:
    """Return the sigma share of an entrance pupil off along the camera's axis: d_k = R_k (0, 0, o).

    With cameras that all look the same way it is a common shift.
    """
    if shots.camera_deg is None:
        return 1.0
    yaw, pitch = np.radians(shots.camera_deg[:, :2]).T
    pattern = np.zeros((len(shots), PER_SHOT))
    pattern[:, 0], pattern[:, 1], pattern[:, 2] = np.sin(yaw), np.sin(pitch), np.cos(yaw) * np.cos(pitch)
    vector = pattern.ravel() / unit
    vector /= np.linalg.norm(vector)
    apart = vector - solution.common.T @ (solution.common @ vector)
    square = float(apart @ apart)
    if square < _APART**2:
        return 1.0
    # What the samples tell of the part that is no common motion, per size of the whole pattern.
    return min(float(np.sqrt(apart @ solution.covariance @ apart)) / square, 1.0)
