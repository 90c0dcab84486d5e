"""Which dot is which: the code says a name, the strength and the place must agree with the others.

A ghost carries the name of the dot that it mirrors; where that dot is dark its ghost would take the name.
So names count only where one smooth map carries the panel's marks to the places found, and where the light
is not far below that of the dots around. A pose without such a map is refused.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.near import nearest, spacing_of
from prewarp.capture.extract.smooth import SmoothMap, fit_map
from prewarp.checks import FloatArray, IntArray

_TRIALS = 400
_SEED = 20
# Tolerances of the search, as parts of the spacing of dots: of the first affine map, of the last smooth one.
_WIDE, _NARROW = 2.0, 0.25
# Dots that give less of the light of those around are taken for ghosts.
WEAKEST = 0.12
LEAST_DOTS = 12
_LEAST_SHARE = 0.5


@dataclass(frozen=True)
class Consensus:
    """Names that hold. `blob`, `mark` (k,) places in the lists given; `map` from panel to photograph;
    `share` of the readable strong places that agree; `spacing_px` of dots in the photograph.
    """

    blob: IntArray
    mark: IntArray
    map: SmoothMap | None
    share: float
    spacing_px: float
    too_weak: IntArray

    @property
    def holds(self) -> bool:
        """Whether enough dots agree for any to be named."""
        return self.map is not None and len(self.blob) >= LEAST_DOTS and self.share >= _LEAST_SHARE


def agree(place: FloatArray, mark_of: IntArray, light: FloatArray, panel: FloatArray) -> Consensus:
    """Return the named places that one smooth map explains.

    Parameters
    ----------
    place : (n, 2) float array
        Places found in the photograph, px.
    mark_of : (n,) int array
        The mark that each place's code names, -1 where none.
    light : (n,) float array
        Light of each place.
    panel : (m, 2) float array
        Marks, panel px.
    """
    named = np.flatnonzero((mark_of >= 0) & (light > 0))
    nothing = Consensus(np.zeros(0, int), np.zeros(0, int), None, 0.0, 0.0, np.zeros(0, int))
    if len(named) < LEAST_DOTS:
        return nothing
    at, mark, strength = place[named], mark_of[named], light[named]
    strong = strength > 0.3 * np.quantile(strength, 0.9)
    pitch = spacing_of(panel)
    kept, spacing = _affine_search(panel[mark], at, strength, pitch)
    if kept is None:
        return nothing
    found: SmoothMap | None = None
    for degree, tolerance in (
        (1, _WIDE),
        (2, 1.2),
        (3, 0.8),
        (3, 0.6),
        (4, 0.45),
        (5, 0.35),
        (6, _NARROW),
        (7, _NARROW),
    ):
        if len(np.unique(mark[kept])) < max(LEAST_DOTS, 2 * (degree + 1) * (degree + 2) // 2):
            if found is None:
                return nothing
            degree = found.degree
        found = fit_map(panel[mark[kept]], at[kept], degree, weight=np.sqrt(strength[kept]))
        off = np.hypot(*(found(panel[mark]) - at).T)
        inside = np.flatnonzero(off < tolerance * found.spacing(panel[mark], pitch))
        kept = _strongest(inside, mark, strength, off)
        if len(kept) < LEAST_DOTS:
            return nothing
    assert found is not None
    weak = _too_weak(at[kept], strength[kept])
    share = float(np.isin(np.flatnonzero(strong), inside).sum() / max(strong.sum(), 1))
    middle = float(np.median(found.spacing(panel[mark[kept]], pitch)))
    return Consensus(named[kept[~weak]], mark[kept[~weak]], found, share, middle, named[kept[weak]])


def _affine_search(
    panel: FloatArray, at: FloatArray, strength: FloatArray, pitch: float
) -> tuple[IntArray | None, float]:
    """Return which names (k,) one affine map explains best, of maps by three named places near each other."""
    random = np.random.default_rng(_SEED)
    near = nearest(panel, panel, 25)[1]
    first = random.choice(len(panel), _TRIALS, p=strength / strength.sum())
    others = near[first[:, None], random.integers(1, near.shape[1], (_TRIALS, 2))]
    chosen = np.concatenate([first[:, None], others], axis=1)
    ones = np.ones((_TRIALS, 3, 1))
    corner = np.concatenate([panel[chosen] / pitch, ones], axis=2)
    usable = np.abs(np.linalg.det(corner)) > 0.5
    if not usable.any():
        return None, 0.0
    maps = np.linalg.solve(corner[usable], at[chosen[usable]])
    full = np.concatenate([panel / pitch, np.ones((len(panel), 1))], axis=1)
    off = np.einsum("nk,tkj->tnj", full, maps) - at
    size = np.sqrt(np.abs(np.linalg.det(maps[:, :2])))
    # Only dots near by are held to an affine map: further off distortion bends it.
    distance = np.hypot(*(panel[None, :] - panel[first[usable], None]).transpose(2, 0, 1)) / pitch
    tolerance = np.maximum(0.35, 0.12 * distance) * size[:, None]
    explained = np.hypot(off[..., 0], off[..., 1]) < tolerance
    score = explained @ np.sqrt(strength)
    best = int(np.argmax(score))
    kept = np.flatnonzero(explained[best])
    return (kept, float(size[best])) if len(kept) >= LEAST_DOTS else (None, 0.0)


def _strongest(inside: IntArray, mark: IntArray, strength: FloatArray, off: FloatArray) -> IntArray:
    """Return one place a mark: the nearest of those with a third of the mark's greatest light."""
    most = np.zeros(int(mark.max()) + 1)
    np.maximum.at(most, mark[inside], strength[inside])
    bright = inside[strength[inside] >= most[mark[inside]] / 3.0]
    order = bright[np.lexsort((off[bright], mark[bright]))]
    _, first = np.unique(mark[order], return_index=True)
    return np.sort(order[first])


def _too_weak(at: FloatArray, strength: FloatArray) -> np.ndarray:
    """Return which places give far less light than the twelve around them do in the middle."""
    near = nearest(at, at, 13)[1]
    around = np.median(strength[near], axis=1)
    weak: np.ndarray = strength < WEAKEST * around
    return weak
