"""Where two channels show one direction: how far apart, and how much brighter one is, as measured.

Rows of one channel are held to those of the other around them, seen from the same pupil position; between
dots the small deviations from the package follow a plane.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import qmc

from prewarp.acceptance.figures import Figure
from prewarp.acceptance.lengths import length, sigma_of_mean
from prewarp.acceptance.place import Noise
from prewarp.acceptance.predicted import Deviations
from prewarp.acceptance.smooth import Smooth
from prewarp.acceptance.tables_as_fields import TableField
from prewarp.budget import Tracker
from prewarp.budget.eye import EyeMotion, eye_path, slips
from prewarp.budget.interval import half_width
from prewarp.budget.scene import BudgetScene
from prewarp.budget.simulate import LEAST_FIXATIONS, Simulation, simulate
from prewarp.budget.surface import LEAST_HALF_MM, seam_surface
from prewarp.checks import FloatArray, IntArray, extent
from prewarp.errors import SeamError
from prewarp.field import Field
from prewarp.lookup import Lookup
from prewarp.module import EyeBox

SEAM_KEY, STEP_KEY = "seam_error_p95_arcmin", "luminance_step_percent"
# A row has the other channel's dots around it where one is nearer than so many of their own spacings.
_NEAR = 1.5
# So many of them are joined, if their noise does not grow by more than this in variance.
_NEIGHBOURS, _MOST_GAIN = 8, 1.0
# Fewer rows, or shots, in an overlap say nothing of it.
FEWEST_ROWS, FEWEST_SHOTS = 30, 2
# Directions and moments of the simulation.
_DIRECTIONS, _MOMENTS, P95 = 48, 100_000, 95.0
# Where the steps are read off: directions and pupils of so many tried; how far beyond the dots, over their
# extent.
_PLACES, _PUPILS, _TRIED, _BEYOND, _SEED = 128, 64, 512, 0.25, 12
_LEAST_ARCMIN = 1e-9
OVERLAP_NEEDS = (
    f"dots of both channels in their overlap from {FEWEST_SHOTS} pupil positions or more, "
    f"{FEWEST_ROWS} in all"
)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Rows of one channel where the other shows the same direction.

    `step_arcmin` (n, 2): from the first channel's picture to the second's, tracker right; `shot` (n,);
    `tangent` (n, 2); `pupil_mm` (n, 3); `sigma_arcmin`: noise of a step per axis, its variance known to a
    share `noise_unsure`; `common_arcmin`: what both channels' rows may share. `log_ratio` (n,) or None: of
    the light of the second to that of the first, gains applied.
    """

    channels: tuple[str, str]
    colour: str
    step_arcmin: FloatArray
    shot: IntArray
    tangent: FloatArray
    pupil_mm: FloatArray
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
        tangents.append(first.tangent[rows])
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
        float(np.linalg.norm(per_axis)),
        float(np.linalg.norm(common)),
        max(noises[one.channel, one.colour].unsure for one in (first, second)),
        np.concatenate(ratios) if lit else None,
    )


def neighbours(
    first: Deviations, second: Deviations, /
) -> Iterator[tuple[int, IntArray, IntArray, FloatArray]]:
    """Yield shots that show both, and of each the rows (n,) of the first, rows (n, k) of the second about
    them, and the weights (n, k) of those.
    """
    for shot in np.intersect1d(first.shot, second.shot):
        own, other = np.flatnonzero(first.shot == shot), np.flatnonzero(second.shot == shot)
        rows, near, weights = _around(first.tangent, own, second.tangent, other)
        if len(rows):
            yield int(shot), rows, near, weights


def seam_figure(
    colours: list[Meeting],
    lookup: Lookup,
    eye_box: EyeBox,
    tracker: Tracker,
    noise_known: bool,
    limit: float | None,
    /,
) -> Figure:
    """Return `seam_error_p95_arcmin` of two channels: with the tracker, the measured steps in every moment.

    `colours`: where they meet, by colour; the worst colour counts. How the picture moves with the pupil is
    that of a colour whose tables stand alone: others differ from it by little.
    """
    found = max(colours, key=lambda one: (one.is_enough, length(one.step_arcmin)))
    if not found.is_enough or not noise_known:
        needs = OVERLAP_NEEDS if not found.is_enough else "the noise of the capture (sigma_px)"
        return Figure(SEAM_KEY, found.of, "arcmin", needs=needs, limit=limit)
    box_mm = np.asarray(lookup.pupil_box_mm, dtype=float)
    try:
        first, second = (cast(Field, TableField(lookup, one, _alone(lookup))) for one in found.channels)
        content = _directions(found, lookup, eye_box)
        surface = seam_surface(first, second, content[:_DIRECTIONS], eye_box=eye_box)
    except SeamError as cause:
        needs = f"directions that both channels show from all of the eye box ({cause})"
        return Figure(SEAM_KEY, found.of, "arcmin", needs=needs, limit=limit)
    smooth = Smooth(
        found.step_arcmin,
        found.tangent,
        found.tangent,
        found.pupil_mm,
        found.shot,
        box_mm,
        asked=(content, _pupils(eye_box)),
    )
    told = smooth.told(found.sigma_arcmin, found.noise_unsure)
    steps = smooth.steps(found.sigma_arcmin, found.noise_unsure)
    steps *= told.value / max(length(steps), _LEAST_ARCMIN)

    def simulated(times: float) -> Simulation:
        return simulate(BudgetScene(surface, residual_arcmin=times * steps), tracker, samples=_MOMENTS)

    moments = simulated(1.0)
    value = moments.percentile_arcmin(P95)
    parts = {
        "positions": told.positions,
        "read_off": told.read_off,
        "noise": told.noise,
        "common_to_rows": found.common_arcmin,
    }
    known = {name: float(part) for name, part in parts.items() if part is not None}
    # Where the tracker's error rules, what the steps are off by counts for less.
    off = max(float(np.linalg.norm(list(known.values()))), _LEAST_ARCMIN)
    larger = simulated(1.0 + off / max(told.value, _LEAST_ARCMIN)).percentile_arcmin(P95)
    known = {name: part * max(larger - value, 0.0) / off for name, part in known.items()}
    known["simulation"] = 0.5 * value * half_width(value, moments.interval_arcmin(P95))
    note = (
        "95 % of time samples of natural eye movement with the tracker; with a tracker "
        f"without error {told.value:.3g} arcmin"
    )
    return Figure(
        SEAM_KEY, found.of, "arcmin", value, known, smooth.raw, len(found.shot), note=note, limit=limit
    )


def step_figure(found: Meeting, with_gains: bool, limit: float | None, /) -> Figure:
    """Return `luminance_step_percent` of two channels in a colour: the package's gains on measured light."""
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
    per_shot = np.array(
        [np.median(found.log_ratio[good & (found.shot == one)]) for one in np.unique(found.shot[good])]
    )
    # The worst pupil position; its own noise is that of a median of its rows.
    worst = int(np.argmax(np.abs(per_shot)))
    rows = found.log_ratio[good & (found.shot == np.unique(found.shot[good])[worst])]
    spread = 1.4826 * float(np.median(np.abs(rows - np.median(rows))))
    sigma = 1.2533 * spread / np.sqrt(len(rows))
    parts = {"rows": 100.0 * sigma, "positions": 100.0 * (sigma_of_mean(per_shot, len(per_shot)) or 0.0)}
    note = f"worst of {len(per_shot)} pupil positions, median over the overlap"
    value = 100.0 * abs(float(np.expm1(per_shot[worst])))
    return Figure(STEP_KEY, found.of, "%", value, parts, None, int(good.sum()), note=note, limit=limit)


def _alone(lookup: Lookup) -> str:
    """Return a colour whose maps are not built on another's, where there is one."""
    return next(
        (
            colour
            for number, colour in enumerate(lookup.colours)
            if all(one.base is None for one in lookup.maps if one.colour == number)
        ),
        lookup.colours[0],
    )


def _around(
    tangent: FloatArray, own: IntArray, others: FloatArray, other: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the rows (n,) that have others about them, the nearest of those (n, k) and their weights (n, k):
    the value at a row of the plane that fits the others best.
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
    basis = np.concatenate([np.ones((*away.shape[:2], 1)), away], axis=2)
    # Others on one line say nothing across it; that shows as a large weight.
    weights = np.linalg.pinv(basis, rcond=1e-6)[:, 0]
    inside = np.sum(weights**2, axis=1) <= _MOST_GAIN
    return own[inside], near[inside], weights[inside]


def _log_light(group: Deviations) -> FloatArray:
    """Return the logarithm of luminance times gain (n,); NaN where it is not positive."""
    assert group.luminance is not None
    light = group.luminance if group.gain is None else group.luminance * group.gain
    return np.log(np.where(light > 0.0, light, np.nan))


def _directions(found: Meeting, lookup: Lookup, eye_box: EyeBox) -> FloatArray:
    """Return directions (m, 2), spread evenly, that both channels show from every corner of the eye box."""
    low, high = extent(found.tangent)
    # Dots end up to a spacing inside what both channels show.
    wide = _BEYOND * (high - low)
    even = low - wide + (high - low + 2.0 * wide) * qmc.Halton(2, scramble=False).random(_TRIED)
    served = np.ones(len(even), dtype=bool)
    for name in found.channels:
        own = TableField(lookup, name, _alone(lookup))
        points = own.inverse(even[:, None, :], pupil_mm=eye_box.corners)
        served &= points.valid.all(axis=1)
    if not served.any():
        raise SeamError("none is")
    return np.asarray(even[served][:_PLACES])


def _pupils(eye_box: EyeBox) -> FloatArray:
    """Return pupil positions (p, 3) of natural eye movement in the eye box, mm."""
    motion, random, half = EyeMotion(), np.random.default_rng(_SEED), eye_box.half_mm
    path = eye_path(motion, random, count=LEAST_FIXATIONS)
    time = path.length_s * random.random(_TRIED)
    pupil = (path.turned_mm(time) + slips(motion, random, _TRIED)[0]).T
    inside = np.all(np.abs(pupil[:, :2]) <= half[:2], axis=1)
    inside &= (np.abs(pupil[:, 2]) <= half[2]) | (half[2] <= LEAST_HALF_MM)
    return np.clip(pupil[inside] if inside.any() else pupil, -half, half)[:_PUPILS]
