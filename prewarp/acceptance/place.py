"""Error of place: how far what a unit shows lies off what its package says, over panel and eye box."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.acceptance.coverage import PARTS, lacking, part_of
from prewarp.acceptance.figures import NOT_SEEN, Figure
from prewarp.acceptance.lengths import length, rms_without_noise
from prewarp.acceptance.pose import unknown_arcmin
from prewarp.acceptance.predicted import Deviations
from prewarp.acceptance.smooth import Points, Smooth
from prewarp.checks import FloatArray
from prewarp.export.truth import Truth
from prewarp.fitting.lack_of_fit import SPREAD
from prewarp.frames import reference_pupil
from prewarp.lookup import Lookup, prepare
from prewarp.neighbours import FEWEST_DOTS, local_differences
from prewarp.robust import sigma_of_lengths

NOISE_NEEDS = "the column sigma_px, or 30 dots or more in one shot, to know the capture's noise"
TWO_SHOTS = "two pupil positions or more"
_HALF = 0.5


@dataclass(frozen=True)
class Noise:
    """Noise of a channel and colour, 1-sigma per axis, px: `stated` by the rows, `seen` among neighbours
    (by so many `differences`); None where that is not known.
    """

    stated: float | None
    seen: float | None
    differences: int = 0

    @property
    def known(self) -> bool:
        """Whether either is."""
        return self.stated is not None or self.seen is not None

    @property
    def taken_out(self) -> float:
        """What is taken off a figure: the smaller of both, and nothing that was not seen."""
        if self.seen is None:
            return 0.0
        return self.seen if self.stated is None else min(self.seen, self.stated)

    @property
    def unsure(self) -> float:
        """How sure the variance of the noise seen is, 1-sigma over it."""
        return SPREAD / float(np.sqrt(max(self.differences, 1)))

    @property
    def common(self) -> float:
        """What rows state beyond what neighbours scatter: it may be common to all of them."""
        if self.stated is None:
            return 0.0
        return float(np.sqrt(max(self.stated**2 - (self.seen or 0.0) ** 2, 0.0)))


def noise_of(group: Deviations, /) -> Noise:
    """Return the noise of a channel and colour."""
    stated = None
    if group.sigma_px is not None:
        told = group.sigma_px[np.isfinite(group.sigma_px) & (group.sigma_px > 0.0)]
        # Rows without a statement would count as exact.
        stated = float(np.sqrt(np.mean(told**2))) if len(told) > _HALF * len(group) else None
    local = local_differences(group.pixel, group.shot, group.step_px.T)
    seen = sigma_of_lengths(np.hypot(*local)) if local.shape[1] >= FEWEST_DOTS else None
    return Noise(stated, seen, local.shape[1])


def place_figures(
    group: Deviations,
    noise: Noise,
    lookup: Lookup,
    truth: Truth | None,
    pose_covariance: FloatArray | None,
    limits: dict[str, float | None],
    points: Points,
    /,
) -> list[Figure]:
    """Return `place_px` and `place_arcmin` of a channel and colour, read off at points over panel and eye
    box (`panel_points`).
    """
    of = f"{group.channel} {group.colour}"
    scale = float(np.median(group.arcmin_per_px))
    shots = len(np.unique(group.shot))
    pose = 0.0 if pose_covariance is None else unknown_arcmin(group, pose_covariance)
    table = _table_spread(lookup, truth, group)
    box_mm = np.asarray(lookup.pupil_box_mm, dtype=float)
    needs = lacking(group, lookup) or ("" if noise.known else NOISE_NEEDS)
    reference, found = reference_pupil(group.tangent, group.pupil_mm), []
    smooth = Smooth(group.step_px, group.pixel, reference, group.shot, box_mm, points)
    for key, unit, raw, per_px in (
        ("place_px", "px", group.step_px, 1.0),
        ("place_arcmin", "arcmin", group.step_arcmin, scale),
    ):
        told = smooth.told(noise.taken_out, noise.unsure, seen=unit == "arcmin")
        parts = {
            "positions": told.positions,
            "read_off": told.read_off,
            "noise": told.noise,
            "common_to_rows": noise.common * per_px,
            "package": None if table is None else told.per_rough * table / np.sqrt(shots),
            "pose": pose * (1.0 if unit == "arcmin" else 1.0 / scale),
        }
        unknown = needs or (TWO_SHOTS if parts["positions"] is None else "")
        if unknown:
            parts["not_seen"] = NOT_SEEN * told.value
        known = {name: float(part) for name, part in parts.items() if part is not None}
        note = (
            "95 % over panel and eye box, noise taken out; errors of the fit and of the package are included"
        )
        found.append(
            Figure(key, of, unit, told.value, known, length(raw), len(group), unknown, note, limits.get(key))
        )
    return found


def _table_spread(lookup: Lookup, truth: Truth | None, group: Deviations) -> float | None:
    """Return how far the error of a package's tables differs from pupil to pupil, 1-sigma, px.

    Of the 95 % lengths over the points of `truth.npz`, where fit and tables are both known; without it the
    largest error that the tables state, as the end of an even law (JCGM 100, 4.3.7).
    """
    place = lookup.map_index(group.channel, group.colour)
    if truth is None or (group.channel, group.colour) not in truth.maps or len(truth.pupils_mm) < 2:
        return lookup.maps[place].error_px / float(np.sqrt(3.0))
    lengths = []
    for number, pupil in enumerate(truth.pupils_mm):
        tangent = prepare(lookup, place, pupil).direction_from_panel(truth.pixel[group.channel])
        lengths.append(np.quantile(truth.px_error(group.channel, group.colour, tangent, number), 0.95))
    return float(np.std(lengths, ddof=1))


@dataclass(frozen=True)
class Part:
    """Rows of one part of the panel, or of one shot: `name` and `where` say which.

    `rms_px`: noise taken out; `rms_most_px`: what it may be, 95 %, as the noise leaves it; `p95_px`: as
    measured; `mean_arcmin` (2,): right and up.
    """

    name: str
    where: tuple[float, ...]
    count: int
    rms_px: float
    rms_most_px: float
    p95_px: float
    mean_arcmin: tuple[float, float]

    def as_dict(self) -> dict[str, Any]:
        """Return the part for machines."""
        return {
            self.name: list(self.where),
            "samples": self.count,
            "rms_px": self.rms_px,
            "rms_at_most_px": self.rms_most_px,
            "p95_px": self.p95_px,
            "mean_right_arcmin": self.mean_arcmin[0],
            "mean_up_arcmin": self.mean_arcmin[1],
        }


def regions_of(group: Deviations, noise: Noise, size_px: tuple[int, int], /) -> tuple[Part, ...]:
    """Return the parts of the panel that have rows; `where`: u and v from, u and v to, px."""
    number = part_of(group.pixel, size_px)
    found = []
    for one in np.unique(number):
        row, column = divmod(int(one), PARTS)
        corners = [column / PARTS, row / PARTS, (column + 1) / PARTS, (row + 1) / PARTS]
        where = tuple(float(share * size_px[axis % 2]) for axis, share in enumerate(corners))
        found.append(_part("region_px", where, group, noise, number == one))
    return tuple(found)


def shots_of(group: Deviations, noise: Noise, shots_mm: FloatArray, /) -> tuple[Part, ...]:
    """Return the pupil positions that have rows; `where`: x, y, z, mm."""
    return tuple(
        _part("pupil_mm", tuple(float(value) for value in shots_mm[one]), group, noise, group.shot == one)
        for one in np.unique(group.shot)
    )


def _part(name: str, where: tuple[float, ...], group: Deviations, noise: Noise, mine: np.ndarray) -> Part:
    px, arcmin = group.step_px[mine], group.step_arcmin[mine]
    right, up = arcmin.mean(axis=0)
    rms, sigma = rms_without_noise(px, noise.taken_out), noise.taken_out
    # Of a mean square of n lengths of a step s with noise per axis: variance (4 sigma^4 + 4 sigma^2 s^2) / n.
    unsure = 2.0 * sigma * float(np.hypot(sigma, rms)) / float(np.sqrt(mine.sum()))
    return Part(
        name,
        where,
        int(mine.sum()),
        rms,
        float(np.sqrt(rms**2 + 2.0 * unsure)),
        length(px),
        (float(right), float(up)),
    )
