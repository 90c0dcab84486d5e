"""The search for the turns: which pairs to follow, and where they lead."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.field.mount import Mount
from prewarp.registration.model import PairModel
from prewarp.registration.redundancy import LEAST_FREEDOM, LEAST_NOISE_ARCMIN, WRONG_LEVEL, chances, solve
from prewarp.robust import huber_weight, redescending_weight, sigma_of_lengths

# Steps with weights that bound a pair's pull (Huber), then with weights that let outliers go.
HUBER_STEPS, REDESCENDING_STEPS = 8, 12
HUBER_SIGMA = 1.345
# Fewer pairs than this are judged from all of them at once: a median of so few says little of the noise.
FEW = 10
STEPS, ROUNDS = 12, 20
SETTLED = 1e-9
# Slopes are taken anew after a step longer than this (degrees or per cent): they change by less than a part
# in 1e5 otherwise.
STALE = 1e-3


@dataclass(frozen=True)
class Search:
    """The pairs, and how certain each is against the others, `relative` (n,)."""

    model: PairModel
    relative: FloatArray

    def fit(self, start: Mapping[str, Mount]) -> tuple[Mapping[str, Mount], BoolArray]:
        """Return the mounts, and which pairs (n,) they follow."""
        mounts, kept = start, np.ones(len(self.relative), dtype=bool)
        few = len(kept) < FEW
        if not few:
            mounts, weight = self.robust(mounts)
            kept = weight >= 1.0
        for _ in range(ROUNDS):
            mounts = self.least_squares(mounts, kept)
            slopes, mismatch = self.linear(mounts)
            solution = solve(slopes, mismatch, kept.astype(float))
            good = chances(solution, slopes, mismatch, kept) >= WRONG_LEVEL / len(kept)
            if few:
                # One at a time, the least likely first: a wrong one makes its neighbours look wrong.
                wrong = np.flatnonzero(kept & ~good)
                if wrong.size == 0 or solution.freedom - 2 < LEAST_FREEDOM:
                    break
                chance = chances(solution, slopes, mismatch, kept)
                kept = kept & (np.arange(len(kept)) != wrong[np.argmin(chance[wrong])])
            else:
                again = ~kept & good
                if not again.any():
                    break
                kept = kept | again
        return mounts, kept

    def linear(self, mounts: Mapping[str, Mount]) -> tuple[FloatArray, FloatArray]:
        """Return slopes (n, 2, p) and mismatch (n, 2), each pair in units of its certainty."""
        return (
            self.model.slopes(mounts) * self.relative[:, None, None],
            self.model.mismatch_arcmin(mounts) * self.relative[:, None],
        )

    def least_squares(self, mounts: Mapping[str, Mount], kept: BoolArray) -> Mapping[str, Mount]:
        """Return the mounts that bring the pairs kept together best."""
        slopes, mismatch = self.linear(mounts)
        for _ in range(STEPS):
            change = solve(slopes, mismatch, kept.astype(float)).change
            mounts = self.model.moved(mounts, -change)
            if np.abs(change).max() > STALE:
                slopes, mismatch = self.linear(mounts)
            else:
                mismatch = self.model.mismatch_arcmin(mounts) * self.relative[:, None]
            if np.abs(change).max() < SETTLED:
                break
        return mounts

    def robust(self, mounts: Mapping[str, Mount]) -> tuple[Mapping[str, Mount], FloatArray]:
        """Return mounts that a minority of wrong pairs does not move, and weights (n,)."""
        weight, change = np.ones(len(self.relative)), np.full(len(self.model.free), np.inf)
        slopes: FloatArray | None = None
        for step in range(HUBER_STEPS + REDESCENDING_STEPS):
            mismatch = self.model.mismatch_arcmin(mounts) * self.relative[:, None]
            length = np.hypot(*mismatch.T)
            sigma = max(sigma_of_lengths(length), LEAST_NOISE_ARCMIN)
            if step < HUBER_STEPS:
                weight = huber_weight(length / (HUBER_SIGMA * sigma))
            else:
                weight = redescending_weight(length, sigma)
            if slopes is None or np.abs(change).max() > STALE:
                slopes = self.model.slopes(mounts) * self.relative[:, None, None]
            change = solve(slopes, mismatch, weight).change
            mounts = self.model.moved(mounts, -change)
            if step >= HUBER_STEPS and np.abs(change).max() < SETTLED:
                break
        return mounts, weight
