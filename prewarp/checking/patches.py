"""Patches: neighbouring samples of one pupil that moved together, and panel places where samples scatter.

Both escape a look at single samples, since their neighbours are as wrong as they are.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from prewarp.checking.moved import moved_patch
from prewarp.checking.outliers import Residuals, bounded
from prewarp.checking.patch import LEAST_NOISE_PX, Patch
from prewarp.checking.result import Finding, finding, region_of
from prewarp.checking.rough import rough_patch
from prewarp.checking.samples import Samples
from prewarp.checking.views import patches_in_views
from prewarp.checking.windows import Places, position_terms
from prewarp.checks import BoolArray, FloatArray, IntArray, extent

_SIDE_BY_SIDE = 3.0  # dots between parts of one patch
_MOST_PATCHES = 8  # of one channel and colour


def find_patches(
    samples: Samples,
    residuals: Residuals,
    model: FloatArray,
    places: Places,
    good: BoolArray,
    least_px: float = 0.0,
) -> list[Patch]:
    """Return the patches among the samples of a channel and colour.

    `model` (n, 2) px is what the smooth model says of them. Added to the residuals it gives what was
    measured, which is compared where it can be: a flexible model follows a patch at the rim seen from a
    corner of the eye box. `good` (n,) leaves out samples already found wrong. Patches of `least_px` or less
    are passed over: few positions do not show how the map bends over the pupil. Where positions are too few
    to hold one against the others, each view is held against itself.
    """
    good = good.copy()
    # Seen from one plane, places on a lattice can be compared as measured; else what the model leaves.
    whole = places.exact and places.one_depth
    terms = position_terms(places.position_mm, 3 if whole else 2)
    if terms is None:
        return _joined(
            patches_in_views(samples, residuals.scale.surface, residuals.index, places, good), places
        )
    sigma = max(residuals.sigma, LEAST_NOISE_PX)
    model = model if whole else np.zeros_like(model)
    mild = bounded(residuals, sigma)
    patches: list[Patch] = []
    for search in (partial(moved_patch, model), rough_patch):
        while len(patches) < _MOST_PATCHES:
            patch = search(residuals.px, mild, places, sigma, good, terms)
            if patch is None:
                break
            patches.append(patch)
            good[patch.rows] = False
    return [one for one in _joined(patches, places) if one.size_px > least_px]


def _joined(patches: list[Patch], places: Places) -> list[Patch]:
    """Return patches with those of several pupils that lie side by side made one."""
    joined: list[Patch] = []
    for patch in patches:
        near = [
            one
            for one in joined
            if patch.group == one.group
            and (patch.group is None or patch.scatters)
            and one.scatters == patch.scatters
            and within(places, one, patch.rows, _SIDE_BY_SIDE).any()
        ]
        for one in near:
            joined.remove(one)
        sizes = [one.size_px for one in (*near, patch)]
        counts = [len(one.rows) for one in (*near, patch)]
        rows = np.concatenate([one.rows for one in (*near, patch)])
        joined.append(replace(patch, rows=rows, size_px=float(np.average(sizes, weights=counts))))
    return joined


def within(places: Places, patch: Patch, rows: IntArray, margin: float) -> BoolArray:
    """Return which of the samples `rows` (m,) lie in a patch, wider by `margin` dots, and at its pupil."""
    low, high = extent(places.across[patch.rows])
    across = places.across[rows]
    inside = ((across >= low - margin) & (across <= high + margin)).all(axis=1)
    if patch.group is not None:
        inside &= places.groups[places.local[rows]] == patch.group
    result: BoolArray = inside
    return result


def with_lone(patches: list[Patch], places: Places, lone: IntArray) -> list[Patch]:
    """Return patches with the samples `lone`, found wrong by themselves, that lie in or beside them."""
    result = []
    for patch in patches:
        chosen = within(places, patch, lone, 1.0)
        result.append(replace(patch, rows=np.concatenate([patch.rows, lone[chosen]])))
        lone = lone[~chosen]
    return result


def patch_findings(
    samples: Samples, pair: int, patches: list[Patch], index: IntArray, sigma: float
) -> Iterator[Finding]:
    """Yield a finding for each patch of a channel and colour; `index` holds the samples they count in."""
    for patch in patches:
        rows = index[patch.rows]
        region = region_of(samples.pixel[rows])
        if patch.group is not None and not patch.scatters:
            others = "those around them" if patch.by_view else "the other positions"
            text = f"{len(rows)} neighbouring points at {samples.group_text(patch.group)} are together "
            text += f"{patch.size_px:.3g} px off what {others} say, in {region.text()}; noise is "
            text += f"{sigma:.2g} px."
            mend = (
                "Look at the photograph there (a reflection, dust, dots counted wrongly); capture it again."
            )
        else:
            seen = "several positions" if patch.group is None else samples.group_text(patch.group)
            text = f"{len(rows)} points scatter by {patch.size_px:.3g} px in {region.text()}, seen from "
            text += f"{seen}; elsewhere noise is {sigma:.2g} px."
            mend = "Look at that place of panel and optics (dust, dead px, reflections); delete the rows."
        yield finding(
            "patch",
            "warning",
            text,
            mend,
            channel=samples.channel_of(pair),
            colour=samples.colour_of(pair),
            rows=samples.row[rows],
            pupil_mm=None if patch.group is None else samples.pupils_mm[samples.group_pupil[patch.group]],
            region=region,
            size=(patch.size_px, "px"),
        )
