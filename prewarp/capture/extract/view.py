"""One view through all steps: find, read, agree, separate, measure; what is refused, and why, in words."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from prewarp.capture.codes import FRAMES
from prewarp.capture.extract.consensus import LEAST_DOTS
from prewarp.capture.extract.cutting import LEAST_CODES, Cut, cut_all, first_blobs
from prewarp.capture.extract.finding import Blobs
from prewarp.capture.extract.frames import (
    WHOLE,
    Frame,
    PanelMarks,
    Sensor,
    code_columns,
    lit_in,
    readable,
    relative_exposure,
)
from prewarp.capture.extract.ghosts import Ghosts, find_ghosts, marks_around
from prewarp.capture.extract.guided import add_expected
from prewarp.capture.extract.measure import Around, Measured, measure_dots
from prewarp.capture.extract.naming import Named, name_places
from prewarp.capture.extract.near import spacing_of
from prewarp.capture.extract.noise import Noise
from prewarp.capture.extract.reading import dot_light, numbers_of_words
from prewarp.checks import FloatArray, IntArray

# Of the named dots so many must be lit in every whole frame.
_LIT_SHARE = 0.7
# Of a photograph of dots, which is dark for the most part.
_OVER_EXPOSED = 0.3
_NO_OTHERS: Mapping[str, PanelMarks] = MappingProxyType({})


@dataclass(frozen=True, eq=False)
class View:
    """What one view gave. `mark` (k,) places in the list of marks; `measured` of them, None where the view is
    refused; `findings` in words; `refused` why nothing of it counts, "" where it does.
    """

    mark: IntArray
    measured: Measured | None
    ghosts: Ghosts | None
    findings: list[str]
    refused: str
    figures: dict[str, Any] = field(default_factory=dict)
    blobs: Blobs | None = None
    files: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    expected: FloatArray | None = None
    noise: Noise | None = None

    @property
    def needs_codes(self) -> bool:
        """Whether ghosts were seen in the coded colour, so that colours without codes suffer from them."""
        return self.ghosts is not None and len(self.ghosts.of) > 0


@dataclass(frozen=True)
class NamedView:
    """Dots of one view that have names: `blob`, `mark` (k,) places in the lists of blobs and marks;
    `named` how they came by them, None where the view is refused, for the reason `refused`.
    """

    blob: IntArray
    mark: IntArray
    blobs: Blobs | None
    named: Named | None
    findings: list[str]
    refused: str


def measure_view(
    frames: list[Frame], marks: PanelMarks, sensor: Sensor, others: Mapping[str, PanelMarks] = _NO_OTHERS
) -> View:
    """Measure the dots of one view by its whole and code frames.

    Parameters
    ----------
    frames : list of Frame
        In the order taken. Frames that cannot be read are left out and told of; one lost code frame is made
        good by the weight of names.
    others : mapping of channel name to PanelMarks
        Dots of other channels: names that make no sense may be theirs.
    """
    one = name_view(frames, marks, sensor, others)
    if one.named is None or one.blobs is None:
        return refused_view(one.findings, one.refused, one.blobs)
    return _measured(one.named, one.blobs, one.blob, one.mark, marks, one.findings)


def name_view(
    frames: list[Frame], marks: PanelMarks, sensor: Sensor, others: Mapping[str, PanelMarks] = _NO_OTHERS
) -> NamedView:
    """Find the dots of one view and name them; as `measure_view`, but nothing is measured."""
    findings: list[str] = []
    given = frames
    blobs, start, frames = first_blobs(frames, findings)

    def refused(why: str) -> NamedView:
        return NamedView(np.zeros(0, dtype=int), np.zeros(0, dtype=int), blobs, None, findings, why)

    if not frames:
        return refused(no_photograph(given))
    if blobs is None or len(blobs) < LEAST_DOTS:
        return refused(too_few_dots(0 if blobs is None else len(blobs), start, sensor))
    cut = cut_all(frames, blobs, sensor, findings)
    if not any(one.kind == WHOLE for one in cut.frames):
        findings.append("no whole frame can be used: drift is not known.")
    there = np.count_nonzero(code_columns(cut.frames) >= 0)
    if there < LEAST_CODES:
        return refused(
            f"{there} of {FRAMES} code frames; names need at least {LEAST_CODES}. Take the missing ones "
            "again."
        )
    named = name_places(blobs, cut, marks, findings, others)
    if named.problem:
        return refused(named.problem)
    named = replace(named, cut=_without_wrong_wholes(named, start, findings))
    alone = named.only_lit_in(marks)
    if alone is not None and start is not None:
        told = f"{start.file}: shows code frame {alone}, not all dots; left out. Take it again."
        again = name_view([one for one in frames if one is not start], marks, sensor, others)
        return replace(again, findings=[*findings, told, *again.findings])
    spacing = spacing_of(marks.panel)
    blob, mark = add_expected(
        named.found, blobs.place, named.light, named.there, marks.panel, marks.lit, spacing
    )
    return NamedView(blob, mark, blobs, named, findings, "")


def no_photograph(frames: list[Frame]) -> str:
    """Return that none of a view's photographs can be read, and what to do."""
    return (
        f"none of its {len(frames)} photographs can be read, {frames[0].file} to {frames[-1].file}. Put them "
        "into the folder by the plan's names, as the camera wrote them."
    )


def too_few_dots(count: int, start: Frame | None, sensor: Sensor) -> str:
    """Return that so few dots are in the whole frame `start`, and what to do."""
    where = f"{start.file}: " if start is not None else ""
    found = "no dot" if count == 0 else f"{count} dots"
    for _, values in readable([] if start is None else [start], lambda one: one.read(), []):
        share = float(np.mean(values[::4, ::4] >= sensor.saturated))
        if share > _OVER_EXPOSED:
            return (
                f"{where}{found} found, and {100.0 * share:.0f} % of the picture is saturated: over-exposed, "
                "or the camera file's full_scale and shift_bits are another camera's. Shorten the exposure, "
                "or correct the camera file."
            )
    return f"{where}{found} found; is the panel lit, the exposure long enough, the focus right?"


def _without_wrong_wholes(named: Named, start: Frame | None, findings: list[str]) -> Cut:
    """Return the windows without whole frames in which named dots are dark, unlike in the first."""
    cut = named.cut
    wholes = [k for k, one in enumerate(cut.frames) if one.kind == WHOLE]
    first = next((k for k in wholes if cut.frames[k] is start), None)
    if first is None:
        return cut
    radius = max(1.0, 0.3 * cut.windows.half)

    def light(index: int) -> FloatArray:
        windows = cut.sensor.codes(cut.values[named.found.blob, index])
        return dot_light(windows, radius) / cut.frames[index].exposure_ms

    wanted = light(first)
    for index in reversed(wholes):
        if index != first and np.mean(light(index) > 0.3 * wanted) < _LIT_SHARE:
            findings.append(f"{cut.frames[index].file}: does not show all dots; left out. Take it again.")
            cut = cut.without(index)
    return cut


def _measured(
    named: Named, blobs: Blobs, blob: IntArray, mark: IntArray, marks: PanelMarks, findings: list[str]
) -> View:
    cut, found, readings = named.cut, named.found, named.readings
    order = np.argsort(mark, kind="stable")
    blob, mark = blob[order], mark[order]
    chosen = PanelMarks(marks.number[mark], marks.panel[mark], marks.radius[mark], marks.lit[mark])
    ghosts = find_ghosts(blobs, readings, numbers_of_words(marks.lit), blob, mark, found, marks.panel)
    lit = lit_in(cut.frames, chosen)
    place = blobs.place[blob]
    windows = cut.windows.take(blob)
    assert found.map is not None
    expected = found.map(marks.panel)
    measured = measure_dots(
        cut.sensor.codes(cut.values[blob]),
        cut.saturated[blob] & (lit > 0.0),
        windows,
        lit,
        relative_exposure(cut.frames),
        place - windows.centre,
        chosen.panel,
        chosen.radius,
        Around(marks_around(ghosts, place, expected, mark, windows.half), lit_in(cut.frames, marks)),
        blobs.dead,
        None,
    )
    figures: dict[str, Any] = {
        "blobs": len(blobs),
        "share_of_names_that_agree": round(found.share, 4),
        "spacing_px": round(found.spacing_px, 3),
    }
    return view_of(cut, mark, measured, ghosts, findings, figures, blobs, expected)


def view_of(
    cut: Cut,
    mark: IntArray,
    measured: Measured,
    ghosts: Ghosts | None,
    findings: list[str],
    figures: dict[str, Any],
    blobs: Blobs,
    expected: FloatArray,
) -> View:
    """Return a view that counts, with its files and kinds."""
    files, kinds = tuple(one.file for one in cut.frames), tuple(one.kind for one in cut.frames)
    return View(mark, measured, ghosts, findings, "", figures, blobs, files, kinds, expected, measured.noise)


def refused_view(findings: list[str], why: str, blobs: Blobs | None) -> View:
    """Return a view that does not count, with the reason."""
    return View(np.zeros(0, dtype=int), None, None, findings, why, {}, blobs)
