"""What a capture tells of its poses, and what it cannot: modes that are observable, weak or lost.

Modes are common patterns of offsets and turns, in units of what was known beforehand. The samples hold the
information `lambda` on one; its sigma is 1 / sqrt(1 + lambda) of what was known before. The seven common
motions (`gauge.py`) hold none whatever was captured.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.poses.estimate import Solution
from prewarp.poses.gauge import orthonormal, wavefront_vectors
from prewarp.poses.rays import PER_SHOT
from prewarp.poses.shots import Shots

# Sigma as a share of what was known beforehand: observable below the first, lost above the second.
OBSERVABLE_SHARE, LOST_SHARE = 0.5, 0.95
# Part of a pattern that must lie among the common wavefronts for it to be called one.
_ALIKE = 0.5
# Part of the pattern "entrance pupil off along the camera's axis" that is no common shift.
_APART = 0.02

_NEEDS = {
    "shift": "a mark whose place in the eye box is known",
    "turn": "a mark whose direction is known",
    "scale": "one known image distance: all dioptres change by one factor with it",
    "common wavefront": "shots at other depths: alternate z by +-2 mm from shot to shot",
    "entrance pupil along the camera's axis": (
        "some shots with the camera turned by 10 degrees or more, and yaw_deg, pitch_deg in the grid"
    ),
    "single shots": "more points a shot, or more channels and colours",
}
_MEANS = {
    "shift": "the origin of the eye box is as uncertain as the labels",
    "turn": "the direction straight ahead is as uncertain as the labels",
    "scale": "absolute dioptres are as uncertain as the labels' distances",
    "common wavefront": (
        "turns that both channels share, smooth over the eye box: absolute swim and image distance are as "
        "uncertain as the camera's turns; they cancel in the seam"
    ),
    "entrance pupil along the camera's axis": "it acts as a common shift along z",
    "single shots": "some shots' poses are hardly better known than before",
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
    information, patterns = np.linalg.eigh(solution.information)
    patterns = patterns.T
    inside = np.linalg.norm(solution.common @ patterns.T, axis=0) > 0.5
    share = 1.0 / np.sqrt(1.0 + np.maximum(information, 0.0))
    place = shots.label_mm + solution.poses.offset_mm
    waves = orthonormal(
        np.concatenate([solution.common * unit, wavefront_vectors(place, solution.model.pupil_degree + 1)]),
        unit,
    )
    is_wave = np.sum((waves @ patterns.T) ** 2, axis=0) > _ALIKE
    lost = [_mode("shift", 3, 1.0, 1.0), _mode("turn", 3, 1.0, 1.0), _mode("scale", 1, 1.0, 1.0)]
    observable: list[Mode] = []
    weak: list[Mode] = []
    for chosen, kind in (
        (share <= OBSERVABLE_SHARE, observable),
        ((share > OBSERVABLE_SHARE) & (share <= LOST_SHARE), weak),
        (share > LOST_SHARE, lost),
    ):
        for name, of_name in (("common wavefront", is_wave), ("single shots", ~is_wave)):
            own = share[chosen & of_name & ~inside]
            if len(own):
                kind.append(_mode(name, len(own), own.min(), own.max(), known=kind is observable))
    pupil = _entrance_pupil(solution, shots, unit)
    {0: observable, 1: weak, 2: lost}[_rank(pupil)].append(
        _mode("entrance pupil along the camera's axis", 1, pupil, pupil, known=_rank(pupil) == 0)
    )
    return Modes(tuple(observable), tuple(weak), tuple(lost))


def _rank(share: float) -> int:
    return int(share > OBSERVABLE_SHARE) + int(share > LOST_SHARE)


def _mode(name: str, count: int, low: float, high: float, *, known: bool = False) -> Mode:
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
    if float(apart @ apart) < _APART**2:
        return 1.0
    # The least sigma of the pattern's size that the samples allow, all other modes free within their priors.
    return float(np.sqrt(vector @ solution.covariance @ vector))
