"""What commands about the seam say of time: how far panels are out of step, and how they would meet."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from prewarp.cli.talk import Talk, number
from prewarp.eye import Eye
from prewarp.field import NotKnown
from prewarp.seam import Overlap, PanelsInStep, SeamTiming, panels_in_step, timing_not_known
from prewarp.seam.timing import LIMIT_ARCMIN, QUANTITY

KEY, ADVICE = "panels_out_of_step", "scan_advice"
_HEAD = (
    "seam",
    "lit apart, ms",
    "worst axis",
    "yaw",
    "pitch",
    "limit at, deg/s",
)


@dataclass(frozen=True)
class StepReport:
    """Time across the seams of one eye: figures, or why there are none."""

    eye: Eye
    found: PanelsInStep | None
    lacking: NotKnown | None
    limit_arcmin: float

    def timing(self, place: int, /) -> SeamTiming | None:
        """Return the times of one of the overlaps; None where they are not known."""
        return None if self.found is None else self.found.timings[place]

    def seam(self, place: int, /) -> dict[str, Any] | None:
        """Return the figures of one of the overlaps for machines; None where they are not known."""
        one = self.timing(place)
        return None if one is None else one.as_dict(limit_arcmin=self.limit_arcmin)

    def seams(self) -> list[dict[str, Any] | None] | None:
        """Return the figures of all overlaps for machines; None where time is not known."""
        if self.lacking is not None:
            return None
        return [self.seam(place) for place in range(0 if self.found is None else len(self.found.timings))]

    @property
    def missing(self) -> list[NotKnown]:
        """Why time is not known, if it is not."""
        return [] if self.lacking is None else [self.lacking]

    def advice(self) -> dict[str, Any] | None:
        """Return the advice for machines; None where time is not known."""
        advice = None if self.found is None else self.found.advice
        return None if advice is None else advice.as_dict()

    def say(self, talk: Talk) -> None:
        """Print the figures and the advice for people."""
        if self.found is None or not self.found.timings:
            return
        rows = []
        for one in self.found.timings:
            figures = one.as_dict(limit_arcmin=self.limit_arcmin)
            keys = ("worst_axis", "yaw", "pitch")
            rows.append(
                (
                    " and ".join(one.channels),
                    f"{number(figures['apart_least_ms'], 3)} to {number(figures['apart_largest_ms'], 3)}",
                    *(number(figures[f"{key}_arcmin_per_deg_per_s"], 3) for key in keys),
                    number(figures["limit_reached_at_deg_per_s"], 3),
                )
            )
        title = f"Panels out of step, {self.eye.name}: largest split, arcmin per deg/s of turn"
        talk.table(title, _HEAD, [("", rows)])
        for one in self.found.timings:
            at = ", ".join(
                f"{rate['split_arcmin']:.3g} at {rate['high_deg_per_s']:g} deg/s ({rate['what']}; "
                f"{rate['source']}{'; quoted from memory' if rate['quoted_from_memory'] else ''})"
                for rate in one.as_dict(limit_arcmin=self.limit_arcmin)["at_rates"]
            )
            talk.text(f"Split of {' and '.join(one.channels)}, arcmin: {at}. Limit {self.limit_arcmin:g}.")
        if self.found.advice is not None:
            talk.text(*self.found.advice.sentences())


def not_in_step(eye: Eye, lacking: NotKnown, /) -> NotKnown:
    """Return why time across the seam is not known where `lacking` keeps the seam itself from being known."""
    return timing_not_known(eye.scans, eye.channels) or replace(lacking, quantity=QUANTITY)


def step_report(eye: Eye, pairs: Sequence[Overlap], /, *, limit_arcmin: float = LIMIT_ARCMIN) -> StepReport:
    """Return the figures of time over the overlaps of an eye, from the middle of its eye box and its corners.

    Parameters
    ----------
    eye : Eye
    pairs : sequence of Overlap
        `eye.overlaps()`.
    limit_arcmin : float
        Largest split.
    """
    lacking = timing_not_known(eye.scans, eye.channels) if eye.has_seam else None
    if lacking is not None or not eye.has_seam:
        return StepReport(eye, None, lacking, limit_arcmin)
    pupils = np.vstack([np.zeros(3), eye.eye_box.corners])
    return StepReport(eye, panels_in_step(eye.fields, eye.scans, pairs, pupils_mm=pupils), None, limit_arcmin)
