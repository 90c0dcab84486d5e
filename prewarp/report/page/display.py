"""What a report is made from: fit and module of a display, and what else was given; all is found once."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from prewarp.budget import Budget, Limit, Tracker, seam_budget
from prewarp.checks import FloatArray
from prewarp.export.judgement import VerifyResult
from prewarp.eye import Eye
from prewarp.field import FieldSet, NotKnown, Outside, motion_not_known, outside_capture
from prewarp.focus import FocusStep, focus_step
from prewarp.grids import Grid
from prewarp.lookup import Lookup
from prewarp.module import DisplayModule
from prewarp.seam import Overlap, SensitivityMap, sensitivity_map
from prewarp.seam.gaps import PupilGap, survey_gaps

CENTRE_MM = np.zeros(3)
# Directions of a seam for which the tracker budget is worked out, at most.
DIRECTIONS = 64


@dataclass(frozen=True)
class PackageFound:
    """A device package of one eye: what it reaches, or `problem`, why there is none.

    `sizes`: bytes by kind of file. `lookup`: its tables, where it has any and every check is good; `dither`
    of its shaders.
    """

    eye: str
    result: VerifyResult | None
    sizes: Mapping[str, int] = field(default_factory=dict)
    problem: str = ""
    lookup: Lookup | None = None
    dither: str = "none"


@dataclass(frozen=True, eq=False)
class EyeStudy:
    """One eye, and what several chapters ask of it.

    `samples`, `directions` of the tracker budget; samples None: as many as it needs. `extrapolate`: say what
    the fit says where pupils lie far outside what was captured.
    """

    eye: Eye
    tracker: Tracker
    limit: Limit
    samples: int | None = None
    directions: int = DIRECTIONS
    extrapolate: bool = False

    @property
    def label(self) -> str:
        """The eye, for people."""
        return f"{self.eye.side or 'one'} eye"

    @property
    def colour(self) -> str:
        """The reference colour of the fit."""
        return self.eye.fields.colours[0]

    @cached_property
    def outside(self) -> tuple[Outside, ...]:
        """By channel, the corner of the eye box that lies farthest outside what was captured."""
        return outside_capture(self.eye.fields, self.eye.channels, self.eye.eye_box.corners)

    @cached_property
    def uncaptured(self) -> NotKnown | None:
        """Why nothing is said of the corners of the eye box; None where it is."""
        far = [one for one in self.outside if one.is_far]
        if not far or self.extrapolate:
            return None
        worst = max(far, key=lambda one: one.half_mm)
        needs = "captured pupil positions out to the corners of the eye box, or --extrapolate for a guess"
        return NotKnown("what is seen from the whole eye box", worst.text(), needs)

    @cached_property
    def pupils_mm(self) -> FloatArray:
        """The eye-box centre, then its corners where something is known of them, (n, 3), mm."""
        if self.uncaptured is not None:
            return CENTRE_MM[None]
        corners = self.eye.eye_box.corners
        return np.vstack([CENTRE_MM, corners[np.any(corners != 0.0, axis=1)]])

    @cached_property
    def lacking(self) -> NotKnown | None:
        """Why nothing is known of a moving pupil; None where it is."""
        lacking = motion_not_known(self.eye.fields, self.eye.channels, "what a moving pupil does")
        return lacking or self.uncaptured

    @cached_property
    def gaps(self) -> tuple[PupilGap, ...]:
        """What no channel lights, from every one of `pupils_mm`."""
        return survey_gaps(self.eye.seam, self.pupils_mm)

    @cached_property
    def overlaps(self) -> tuple[Overlap, ...]:
        """Directions that two channels show."""
        return self.eye.overlaps()

    @cached_property
    def sensitivities(self) -> tuple[SensitivityMap, ...]:
        """Of each overlap, over `pupils_mm`."""
        found = []
        for pair in self.overlaps:
            first, second = (self.eye.fields.field(name, self.colour) for name in pair.channels)
            found.append(sensitivity_map(first, second, pair.tangent, pupils_mm=self.pupils_mm))
        return tuple(found)

    @cached_property
    def budgets(self) -> tuple[Budget, ...]:
        """Tracker budget of each overlap."""
        return tuple(
            seam_budget(
                self.eye,
                pair,
                tracker=self.tracker,
                limit=self.limit,
                directions=self.directions,
                samples=self.samples,
            )
            for pair in self.overlaps
        )

    @cached_property
    def focus_steps(self) -> tuple[FocusStep, ...]:
        """Of each overlap, pupil centred."""
        return tuple(focus_step(self.eye.fields, pair.channels, pair.tangent) for pair in self.overlaps)


@dataclass(frozen=True, eq=False)
class Display:
    """One display: `studies` by eye; `luminance` a grid with that column, or None; `packages` by eye, empty
    where none was asked for; `files` name and SHA-256 of what was read.
    """

    name: str
    module: DisplayModule
    fields: FieldSet
    studies: tuple[EyeStudy, ...]
    luminance: Grid | None = None
    packages: tuple[PackageFound, ...] = ()
    files: tuple[tuple[str, str, str], ...] = ()
    extrapolated: tuple[str, ...] = ()


def pair_name(channels: tuple[str, str], /) -> str:
    """Return two channels for people."""
    return f"{channels[0]} and {channels[1]}"
