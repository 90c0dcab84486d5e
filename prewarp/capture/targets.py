"""Targets of a capture, whole: pictures for every panel, the plan, the marks, and a guide, in one folder."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from prewarp import __version__
from prewarp.capture.dots import DotLattice, dot_lattice, middle_mark
from prewarp.capture.guide import guide_text
from prewarp.capture.marks import Marks, write_marks
from prewarp.capture.needed import FREE_POSES_NODES, CaptureNeeded
from prewarp.capture.panel_png import Codes, panel_png
from prewarp.capture.patterns import (
    blank,
    coprime_periods,
    disc_codes,
    even_codes,
    in_planes,
    light_centroids,
    planes_of,
    ramp_levels,
    sine_codes,
)
from prewarp.capture.plan import MARKS_NAME, PLAN_NAME, SEAM_NAME, SUMMARY_NAME, Plan, write_plan
from prewarp.capture.positions import known_distance
from prewarp.capture.schedule import (
    ONE_FRAME,
    RAMP_STEPS,
    SINE_PHASES,
    CaptureSettings,
    Picture,
    poses_of_eyes,
    scheduled,
)
from prewarp.capture.seam_marks import SeamMarks, write_seam_marks
from prewarp.checks import FloatArray
from prewarp.encoding import largest_code
from prewarp.files import json_text, write_bytes, write_text
from prewarp.folders import output_folder
from prewarp.module import DisplayModule, Panel

FORMAT = "prewarp targets 1"
GUIDE = "GUIDE.md"

Step = Callable[[str, int], None]


@dataclass(frozen=True, eq=False)
class Targets:
    """A capture's targets before they are written.

    `lattices`: dots by channel; `pictures`: each picture that the plan shows, once; `seams`: pairs of dots;
    `needed`: what the wanted error needs, where a fit or a design says it.
    """

    module: DisplayModule
    settings: CaptureSettings
    lattices: Mapping[str, DotLattice]
    plan: Plan
    pictures: tuple[Picture, ...]
    seams: tuple[SeamMarks, ...] = ()
    needed: CaptureNeeded | None = None

    def codes(self, picture: Picture, /) -> Codes:
        """Return what a picture shows, (height, width, 3), codes of its panel."""
        panel = self.module.channel(picture.channel).panel
        return in_planes(self._plane(panel, picture), self._planes(picture))

    def png(self, picture: Picture, /) -> bytes:
        """Return a picture as PNG."""
        panel = self.module.channel(picture.channel).panel
        return panel_png(self._plane(panel, picture), panel.bit_depth, planes=self._planes(picture))

    def _planes(self, picture: Picture) -> tuple[int, ...]:
        return planes_of(self.module.colour_names)[picture.colour]

    def _plane(self, panel: Panel, picture: Picture) -> Codes:
        lattice = self.lattices[picture.channel]
        match picture.kind:
            case "whole" | "one":
                return disc_codes(panel, lattice.places, lattice.radii)
            case "code":
                lit = lattice.lit[:, picture.step]
                return disc_codes(panel, lattice.places[lit], lattice.radii[lit])
            case "seam":
                one = self.seams[picture.step]
                places = one.of(picture.channel)
                return disc_codes(panel, places, np.full(len(places), one.radius_px))
            case "sine":
                axis, rest = divmod(picture.step, 2 * SINE_PHASES)
                period, phase = divmod(rest, SINE_PHASES)
                periods = coprime_periods(max(panel.size_px))
                return sine_codes(panel, axis, periods[period], phase / SINE_PHASES)
            case "flat":
                return even_codes(panel, largest_code(panel.bit_depth))
            case "ramp":
                return even_codes(panel, ramp_levels(panel, RAMP_STEPS)[picture.step])
        return blank(panel)

    @property
    def marks(self) -> Marks:
        """The marks of all channels; places are centroids of the light of the codes as they are written."""
        parts: list[FloatArray] = []
        for name, lattice in self.lattices.items():
            panel = self.module.channel(name).panel
            codes = disc_codes(panel, lattice.places, lattice.radii)
            parts.append(light_centroids(panel, codes, lattice.places, lattice.radii))
        # Rounding of sums, far below what a panel's place means.
        places = np.asarray(np.round(np.concatenate(parts), 6), dtype=np.float64)
        lattices = self.lattices.items()
        return Marks(
            channel=np.concatenate([np.full(len(one.places), name) for name, one in lattices]),
            mark=np.concatenate([np.arange(len(one.places)) for _, one in lattices]),
            panel_px=places,
            radius_px=np.concatenate([one.radii for _, one in lattices]),
            code=tuple(code for _, one in lattices for code in one.code),
        )

    @property
    def exposure_minutes(self) -> float:
        """What all exposures take together, without stage, panel and camera."""
        return sum(one.exposure_ms for one in self.plan.photographs) / 60_000.0

    def as_dict(self) -> dict[str, Any]:
        """Return what the pictures mean and the plan holds, for machines; units are in the keys."""
        photographs = self.plan.photographs
        distances = [known_distance(poses) for poses in poses_of_eyes(self.module, self.settings).values()]
        return {
            "format": FORMAT,
            "prewarp": __version__,
            "module": self.module.name,
            "photographs": len(photographs),
            "photographs_by_kind": _counts([one.kind for one in photographs]),
            "poses": len(self.plan.poses),
            "turned_poses": sum(any(one.turn_deg) for one in self.plan.poses.values()),
            "positions": self.settings.positions,
            "enough_for_free_poses": self.settings.positions >= FREE_POSES_NODES**2,
            "exposures_panel_frames": list(self.settings.exposures),
            "refresh_hz": self.settings.refresh_hz,
            "exposure_minutes": round(self.exposure_minutes, 3),
            "known_distances": [
                {"pose_a": one[0], "pose_b": one[1], "planned_mm": round(one[2], 6)}
                for one in distances
                if one is not None
            ],
            "channels": {name: self._channel_dict(name) for name in self.lattices},
            "needed": None if self.needed is None else self.needed.as_dict(),
        }

    def _channel_dict(self, name: str) -> dict[str, Any]:
        lattice, panel = self.lattices[name], self.module.channel(name).panel
        return {
            "panel_px": list(panel.size_px),
            "bit_depth": panel.bit_depth,
            "dots": [lattice.columns, lattice.rows],
            "pitch_px": lattice.pitch_px,
            "radius_px": float(lattice.radii.min()),
            "middle_mark": middle_mark(lattice.columns, lattice.rows)
            if self.settings.marks == ONE_FRAME
            else None,
            "sine_periods_px": list(coprime_periods(max(panel.size_px))) if self.settings.sines else None,
            "sine_phases": SINE_PHASES if self.settings.sines else None,
            "ramp_codes": ramp_levels(panel, RAMP_STEPS),
            "flat_code": largest_code(panel.bit_depth),
        }


def _counts(kinds: list[str]) -> dict[str, int]:
    return {kind: kinds.count(kind) for kind in dict.fromkeys(kinds)}


def planned_lattices(
    module: DisplayModule, count: tuple[int, int], /, *, radius_px: float | None, marks: str
) -> dict[str, DotLattice]:
    """Return the dots of each channel's panel; no two channels name their places alike."""
    return {
        channel.name: dot_lattice(
            channel.panel.size_px,
            count,
            radius_px=radius_px,
            named_by_size=marks == ONE_FRAME,
            number=number,
        )
        for number, channel in enumerate(module.channels)
    }


def planned_targets(
    module: DisplayModule,
    settings: CaptureSettings,
    /,
    *,
    dots: tuple[int, int] = (33, 33),
    radius_px: float | None = None,
    seams: tuple[SeamMarks, ...] = (),
    needed: CaptureNeeded | None = None,
) -> Targets:
    """Return the targets of a module's capture; nothing is drawn yet.

    Parameters
    ----------
    module : DisplayModule
    settings : CaptureSettings
    dots : (int, int)
        Dots across and down each panel.
    radius_px : float, optional
        Of dots; a tenth of their pitch where left out.
    seams : tuple of SeamMarks
        Pairs of dots to join channels by; none without an earlier fit.
    needed : CaptureNeeded, optional
        What the wanted error needs; told in the summary.

    Raises
    ------
    CaptureError
        Dots or positions that cannot be, colours whose plane is not known, too many photographs.
    """
    planes_of(module.colour_names)
    lattices = planned_lattices(module, dots, radius_px=radius_px, marks=settings.marks)
    plan, pictures = scheduled(module, settings, seams=[one.channels for one in seams])
    return Targets(module, settings, lattices, plan, pictures, seams, needed)


def write_targets(targets: Targets, folder: Path, /, *, progress: Step | None = None) -> int:
    """Write pictures, plan, marks, summary and guide as one folder, whole or not at all; return its bytes.

    Raises
    ------
    InputFileError
        The folder holds what this package did not write.
    """
    total = 0
    with output_folder(folder) as working:
        for number, picture in enumerate(targets.pictures, 1):
            write_bytes(working / picture.path, targets.png(picture))
            if progress is not None:
                progress(picture.path, number)
        write_plan(targets.plan, working / PLAN_NAME)
        write_marks(targets.marks, working / MARKS_NAME)
        if targets.seams:
            write_seam_marks(list(targets.seams), working / SEAM_NAME)
        summary = targets.as_dict()
        write_text(working / SUMMARY_NAME, json_text(summary))
        write_text(working / GUIDE, guide_text(summary, with_seams=bool(targets.seams)))
        total = sum(file.stat().st_size for file in working.rglob("*") if file.is_file())
    return total
