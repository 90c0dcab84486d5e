"""The finer checks of one channel and colour: smooth model, residuals, patches, single samples, curl."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from prewarp.checking.affine import Frame
from prewarp.checking.angles import GONIOMETERS
from prewarp.checking.consistency import measure_curl
from prewarp.checking.curl_share import Share, curl_shares
from prewarp.checking.lattice import Lattice
from prewarp.checking.outliers import (
    Residuals,
    find_outliers,
    measure_residuals,
    outlier_findings,
    refined,
)
from prewarp.checking.patch import LEAST_NOISE_PX, Patch
from prewarp.checking.patches import find_patches, patch_findings, with_lone
from prewarp.checking.result import Finding
from prewarp.checking.samples import Samples
from prewarp.checking.shots import Measured
from prewarp.checking.surface import FEWEST_POSITIONS, RIM, MapModel, fit_surface
from prewarp.checking.views import rest_in_views
from prewarp.checking.windows import meant_pixel, measured_in_px, place_samples
from prewarp.checks import BoolArray, FloatArray, IntArray, all_of_rows, lengths_of_rows


@dataclass(frozen=True, eq=False)
class Pairs:
    """What the finer checks of one channel and colour need of all of them."""

    samples: Samples
    frame: Frame
    scale: FloatArray  # (p,) px per tangent
    places: Mapping[int, int]
    lattices: Mapping[int, Lattice]

    def surface(self, pair: int, good: BoolArray, *, coarser: bool = False) -> MapModel | None:
        """Return the smooth model of a pair from samples that are `good` (n,)."""
        return fit_surface(
            self.samples, self.frame, pair, good, float(self.scale[pair]), self.places[pair], coarser=coarser
        )

    def measured(self, pair: int, skip: BoolArray) -> Measured | None:
        """Return what a pair says without the groups in `skip` (g,); None with too few samples."""
        surface = self.surface(pair, ~skip[self.samples.group])
        if surface is None:
            return None
        index = np.flatnonzero((self.samples.pair == pair) & ~skip[self.samples.group])
        return self._measured_by(surface, index)

    def _measured_by(self, surface: MapModel, index: IntArray) -> Measured:
        samples, lattice = self.samples, self.lattices[surface.pair]
        residuals = measure_residuals(samples, surface, index)
        away = refined(samples, residuals, max(residuals.sigma, LEAST_NOISE_PX))
        pixel = meant_pixel(samples, lattice, index, away)
        places = place_samples(samples, surface, lattice, index, pixel)
        measured_px = measured_in_px(samples, lattice, index, places.across, residuals.scale)
        return Measured(surface, residuals, places, measured_px - away)

    def faults(self, one: Measured, off: BoolArray, unseen_px: float = 0.0) -> tuple[list[Finding], IntArray]:
        """Return findings about patches and single samples outside the groups `off` (g,), and the samples.

        `unseen_px`: as `find_shots` has it.
        """
        samples, index = self.samples, one.residuals.index
        good = ~off[samples.group[index]]
        patches = _patches(samples, one, good, unseen_px)
        if patches:
            # They bent the model toward themselves: they are measured against one without them.
            again = self._without(one, good, patches)
            better = [] if again is None else _patches(samples, again, good, unseen_px)
            if again is not None and better:
                one, patches = again, _with_least_size(better, patches)
        residuals = one.residuals
        for patch in patches:
            good[patch.rows] = False
        if len(one.places.groups) < FEWEST_POSITIONS:
            residuals = self._by_view(one, good)
        bad, distance = find_outliers(samples, one.surface, residuals, good)
        patches = with_lone(patches, one.places, np.flatnonzero(bad))
        for patch in patches:
            bad[patch.rows] = good[patch.rows] = False
        findings = [*patch_findings(samples, one.surface.pair, patches, index, one.sigma)]
        findings += outlier_findings(samples, one.surface, index[bad], distance[bad], one.sigma)
        return findings, index[bad | ~good]

    def _by_view(self, one: Measured, good: BoolArray) -> Residuals:
        """Return residuals of each view from its own polynomial, or as they were where samples carry none.

        The model of few positions may be nearly undetermined.
        """
        was = one.residuals
        rest, sigma, told = rest_in_views(self.samples, one.surface, was.index, one.places, good)
        return replace(
            was,
            px=np.where(told[:, None], rest, was.px),
            local=np.where(told[:, None], 0.0, was.local),
            distance=np.where(told, lengths_of_rows(rest), was.distance),
            sigma=sigma if told[good].all() else was.sigma,
        )

    def _without(self, one: Measured, good: BoolArray, patches: list[Patch]) -> Measured | None:
        usable = np.zeros(len(self.samples.pair), dtype=bool)
        usable[one.residuals.index[good]] = True
        for patch in patches:
            usable[one.residuals.index[patch.rows]] = False
        surface = self.surface(one.surface.pair, usable)
        if surface is None:
            return None
        return self._measured_by(surface, one.residuals.index)

    def settled(self, surface: MapModel, good: BoolArray) -> MapModel:
        """Return the model of a pair without the samples found wrong."""
        if good[self.samples.pair == surface.pair].all():
            return surface
        again = self.surface(surface.pair, good)
        return surface if again is None else again

    def curl(self, surface: MapModel, good: BoolArray) -> tuple[float, float] | None:
        """Return the curl of a model of samples that are `good` (n,), and what is explained of it."""
        return measure_curl(self.samples, surface, self.surface(surface.pair, good, coarser=True), good)

    def coarser_shares(self, pair: int, good: BoolArray) -> list[Share]:
        """Return how much of each goniometer's angles is in the curl by a coarser model."""
        surface = self.surface(pair, good, coarser=True)
        if surface is None:
            return [Share(0.0, np.inf)] * len(GONIOMETERS)
        return curl_shares(self.samples, surface, good, GONIOMETERS)

    def curl_of(self, samples: Samples, pair: int, groups: BoolArray) -> tuple[float, float] | None:
        """Return the curl that other directions of the same rows have, from the groups (g,) that are good."""
        other = replace(self, samples=samples)
        good = groups[samples.group]
        surface = other.surface(pair, good)
        return None if surface is None else other.curl(surface, good)


def _with_least_size(patches: list[Patch], before: list[Patch]) -> list[Patch]:
    """Return patches of several pupils with the size that they had before, where that is less.

    Without them the model may reach across a hole, which adds to how far off they are.
    """
    most = max((one.size_px for one in before if one.group is None), default=np.inf)
    return [one if one.group is not None else replace(one, size_px=min(one.size_px, most)) for one in patches]


def _patches(samples: Samples, one: Measured, good: BoolArray, unseen_px: float) -> list[Patch]:
    """Return the patches; what lies beyond the panel's rim, where the model ends, is left to other checks."""
    inside = all_of_rows(np.abs(one.surface.frame(samples.pixel[one.residuals.index])) < RIM)
    return find_patches(samples, one.residuals, one.model_px, one.places, good & inside, unseen_px)
