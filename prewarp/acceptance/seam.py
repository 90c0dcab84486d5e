"""Where two channels show one direction: how far apart, and how much brighter one is, as measured.

Rows of one channel are held to those of the other around them, where the package has the same content, seen
from the same pupil position; between dots the small deviations from the package follow a plane.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from prewarp.acceptance.coverage import UNSEEN_SHARE, pupils_lacking
from prewarp.acceptance.figures import NOT_SEEN, Figure
from prewarp.acceptance.lengths import length, sigma_of_mean
from prewarp.acceptance.place import Noise
from prewarp.acceptance.predicted import Deviations
from prewarp.acceptance.seam_moments import SeamMoments
from prewarp.acceptance.smooth import Smooth
from prewarp.checks import FloatArray, IntArray
from prewarp.frames import reference_pupil
from prewarp.lookup import Lookup

SEAM_KEY, STEP_KEY = "seam_error_p95_arcmin", "luminance_step_percent"
# A row has the other channel's dots around it where one is nearer than so many of their own spacings.
_NEAR = 1.5
# So many of them are joined, fewer by a plane, if their noise does not grow by more than this in variance.
_NEIGHBOURS, _OF_PLANE, _MOST_GAIN = 14, 8, 1.0
# Fewer rows, or shots, in an overlap say nothing of it.
FEWEST_ROWS, FEWEST_SHOTS = 30, 2
# Directions of the overlap further from every dot than so many of their spacings are not seen.
_FAR = 2.0
OVERLAP_NEEDS = (
    f"dots of both channels in their overlap from {FEWEST_SHOTS} pupil positions or more, "
    f"{FEWEST_ROWS} in all"
)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Rows of one channel where the other shows the same direction.

    `step_arcmin` (n, 2): from the first channel's picture to the second's, tracker right; `shot` (n,);
    `tangent` (n, 2), as the package says; `pupil_mm` (n, 3); `spacing` of the dots of a shot, in tangents;
    `sigma_arcmin`: noise of a step per axis, its variance known to a share `noise_unsure`; `common_arcmin`:
    what both channels' rows may share. `log_ratio` (n,) or None: of the light of the second to that of the
    first, gains applied.
    """

    channels: tuple[str, str]
    colour: str
    step_arcmin: FloatArray
    shot: IntArray
    tangent: FloatArray
    pupil_mm: FloatArray
    spacing: float
    sigma_arcmin: float
    common_arcmin: float
    noise_unsure: float
    log_ratio: FloatArray | None

    @property
    def of(self) -> str:
        """Channels and colour, for people."""
        return f"{self.channels[0]} and {self.channels[1]} {self.colour}"

    @property
    def is_enough(self) -> bool:
        """Whether the rows say something of the overlap."""
        return len(self.shot) >= FEWEST_ROWS and len(np.unique(self.shot)) >= FEWEST_SHOTS


def meetings(groups: tuple[Deviations, ...], noises: dict[tuple[str, str], Noise], /) -> Iterator[Meeting]:
    """Yield every pair of channels of a colour that show some directions both."""
    for place, first in enumerate(groups):
        for second in groups[place + 1 :]:
            if first.colour == second.colour and first.channel != second.channel:
                found = _meeting(first, second, noises)
                if found is not None:
                    yield found


def _meeting(first: Deviations, second: Deviations, noises: dict[tuple[str, str], Noise]) -> Meeting | None:
    lit = all(one.luminance is not None for one in (first, second))
    steps, shots, tangents, pupils, ratios, gains = [], [], [], [], [], []
    for shot, rows, near, weights in neighbours(first, second):
        joined = np.einsum("nk,nki->ni", weights, second.step_arcmin[near])
        steps.append(joined - first.step_arcmin[rows])
        shots.append(np.full(len(rows), shot))
        tangents.append(first.said[rows])
        pupils.append(first.pupil_mm[rows])
        gains.append(np.sum(weights**2, axis=1))
        if lit:
            light = np.einsum("nk,nk->n", weights, _log_light(second)[near])
            ratios.append(light - _log_light(first)[rows])
    if not sum(map(len, shots)):
        return None
    per_axis, common = [], []
    for one, share in ((first, 1.0), (second, float(np.mean(np.concatenate(gains))))):
        noise, scale = noises[one.channel, one.colour], float(np.median(one.arcmin_per_px))
        per_axis.append(noise.taken_out * scale * np.sqrt(share))
        common.append(noise.common * scale)
    return Meeting(
        (first.channel, second.channel),
        first.colour,
        np.concatenate(steps),
        np.concatenate(shots),
        np.concatenate(tangents),
        np.concatenate(pupils),
        max(_spacing(one) for one in (first, second)),
        float(np.linalg.norm(per_axis)),
        float(np.linalg.norm(common)),
        max(noises[one.channel, one.colour].unsure for one in (first, second)),
        np.concatenate(ratios) if lit else None,
    )


def _spacing(group: Deviations) -> float:
    """Return how far dots of a shot are from the next, tangents."""
    found = []
    for shot in np.unique(group.shot):
        own = group.said[group.shot == shot]
        found.append(np.median(np.asarray(cKDTree(own).query(own, k=2)[0])[:, 1]) if len(own) > 1 else 0.0)
    return float(np.max(found))


def neighbours(
    first: Deviations, second: Deviations, /
) -> Iterator[tuple[int, IntArray, IntArray, FloatArray]]:
    """Yield shots that show both, and of each the rows (n,) of the first, rows (n, k) of the second about
    them, by the directions that the package says, and the weights (n, k) of those.
    """
    for shot in np.intersect1d(first.shot, second.shot):
        own, other = np.flatnonzero(first.shot == shot), np.flatnonzero(second.shot == shot)
        rows, near, weights = _around(first.said, own, second.said, other)
        if len(rows):
            yield int(shot), rows, near, weights


def seam_figure(
    found: Meeting,
    moments: SeamMoments,
    lookup: Lookup,
    noise_known: bool,
    lack: str,
    limit: float | None,
    /,
) -> Figure:
    """Return `seam_error_p95_arcmin` of two channels in a colour: the measured steps on top of those of the
    package's tables with the tracker, moment by moment.

    `lack`: what the rows do not show of eye box and overlap (`lacking_of`).
    """
    needs = "" if noise_known else "the noise of the capture (sigma_px)"
    if needs or not found.is_enough:
        return Figure(SEAM_KEY, found.of, "arcmin", needs=needs or OVERLAP_NEEDS, limit=limit)
    smooth = Smooth(
        found.step_arcmin,
        found.tangent,
        reference_pupil(found.tangent, found.pupil_mm),
        found.shot,
        np.asarray(lookup.pupil_box_mm, dtype=float),
        moments.points,
    )
    sigma, unsure = found.sigma_arcmin, found.noise_unsure
    told = smooth.told(sigma, unsure)
    parts = {
        "positions": told.positions,
        "noise": told.noise,
        "common_to_rows": _of_shift(smooth.steps(sigma, unsure), found.common_arcmin),
        "simulation": told.read_off,
        "not_seen": NOT_SEEN * told.value if lack else None,
    }
    right = length(smooth.steps(sigma, unsure, added=False))
    note = (
        "95 % of time samples of natural eye movement with the tracker; with a tracker "
        f"without error {right:.3g} arcmin"
    )
    return Figure(
        SEAM_KEY,
        found.of,
        "arcmin",
        told.value,
        {name: float(part) for name, part in parts.items() if part is not None},
        smooth.raw,
        len(found.shot),
        lack,
        note,
        limit,
    )


def _of_shift(step_arcmin: FloatArray, shift_arcmin: float) -> float:
    """Return how unsure the length that 95 % of steps (n, 2) stay under is by an unknown shift of all,
    1-sigma per axis.
    """
    if not shift_arcmin > 0.0:
        return 0.0
    here, squares = length(step_arcmin), 0.0
    for axis in shift_arcmin * np.eye(2):
        squares += max(abs(length(step_arcmin + sign * axis) - here) for sign in (-1.0, 1.0)) ** 2
    return float(np.sqrt(squares))


def lacking_of(found: Meeting, directions: FloatArray | None, lookup: Lookup, /) -> str:
    """Return what of the eye box and of the overlap, directions (m, 2), the rows do not show; "" if hardly
    anything. None: the package has no overlap.
    """
    lack = pupils_lacking(found.pupil_mm, lookup)
    if lack or directions is None:
        return lack
    away = np.asarray(cKDTree(found.tangent).query(directions)[0])
    missing = int(np.count_nonzero(away > _FAR * found.spacing))
    if missing <= UNSEEN_SHARE * len(away):
        return ""
    return (
        f"dots of both channels over all of their overlap: {100.0 * missing / len(away):.0f} % of it, as the "
        "package shows it, have none near"
    )


def step_figure(found: Meeting, with_gains: bool, lack: str, limit: float | None, /) -> Figure:
    """Return `luminance_step_percent` of two channels in a colour: the package's gains on measured light.

    `lack`: as `seam_figure`.
    """
    needs = ""
    if found.log_ratio is None:
        needs = "the column 'luminance', in one unit for both channels"
    elif not with_gains:
        needs = "a package with gains (export --light)"
    elif not found.is_enough:
        needs = OVERLAP_NEEDS
    if needs or found.log_ratio is None:
        return Figure(STEP_KEY, found.of, "%", needs=needs, limit=limit)
    good = np.isfinite(found.log_ratio)
    if np.count_nonzero(good) < FEWEST_ROWS or len(np.unique(found.shot[good])) < FEWEST_SHOTS:
        needs = f"the column 'luminance', above 0, in {FEWEST_ROWS} rows of the overlap or more"
        return Figure(STEP_KEY, found.of, "%", needs=needs, limit=limit)
    per_shot = np.array(
        [np.median(found.log_ratio[good & (found.shot == one)]) for one in np.unique(found.shot[good])]
    )
    # The worst pupil position; its own noise is that of a median of its rows.
    worst = int(np.argmax(np.abs(per_shot)))
    rows = found.log_ratio[good & (found.shot == np.unique(found.shot[good])[worst])]
    spread = 1.4826 * float(np.median(np.abs(rows - np.median(rows))))
    sigma = 1.2533 * spread / np.sqrt(len(rows))
    parts = {
        "rows": 100.0 * float(sigma),
        "positions": 100.0 * (sigma_of_mean(per_shot, len(per_shot)) or 0.0),
    }
    note = f"worst of {len(per_shot)} pupil positions, median over the overlap"
    value = 100.0 * abs(float(np.expm1(per_shot[worst])))
    return Figure(STEP_KEY, found.of, "%", value, parts, None, int(good.sum()), lack, note, limit)


def _around(
    tangent: FloatArray, own: IntArray, others: FloatArray, other: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the rows (n,) that have others about them, the nearest of those (n, k) and their weights (n, k):
    the value at a row of the paraboloid that fits the others best, of the plane where that is not sure.
    """
    nothing = own[:0], np.zeros((0, _NEIGHBOURS), dtype=np.int64), np.zeros((0, _NEIGHBOURS))
    if len(other) <= _NEIGHBOURS:
        return nothing
    tree = cKDTree(others[other])
    spacing = float(np.median(np.asarray(tree.query(others[other], k=2)[0])[:, 1]))
    distance, place = (np.asarray(one) for one in tree.query(tangent[own], k=_NEIGHBOURS))
    close = distance[:, 0] <= _NEAR * spacing
    if not close.any():
        return nothing
    own, near = own[close], other[place[close]]
    away = (others[near] - tangent[own][:, None]) / spacing
    x, y = np.moveaxis(away, -1, 0)
    plane = np.stack([np.ones_like(x), x, y], axis=-1)
    weights = _weights(np.concatenate([plane, np.stack([x * x, x * y, y * y], axis=-1)], axis=-1))
    bent = np.sum(weights**2, axis=1) > _MOST_GAIN
    weights[bent] = 0.0
    weights[bent, :_OF_PLANE] = _weights(plane[bent, :_OF_PLANE])
    # Others on one line say nothing across it; that shows as a large weight.
    inside = np.sum(weights**2, axis=1) <= _MOST_GAIN
    return own[inside], near[inside], weights[inside]


def _weights(basis: FloatArray) -> FloatArray:
    """Return the weights (n, k) of the values at places whose functions are given (n, k, functions), at the
    middle, where all functions but the first are 0.
    """
    return np.asarray(np.linalg.pinv(basis, rcond=1e-6)[:, 0])


def _log_light(group: Deviations) -> FloatArray:
    """Return the logarithm of luminance times gain (n,); NaN where it is not positive."""
    assert group.luminance is not None
    light = group.luminance if group.gain is None else group.luminance * group.gain
    return np.log(np.where(light > 0.0, light, np.nan))
