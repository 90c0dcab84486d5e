"""Names of places: read, held against each other, and the order of the photographs with them."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.capture.extract.consensus import LEAST_DOTS, Consensus, agree
from prewarp.capture.extract.cutting import Cut, light_in_codes, radius_of
from prewarp.capture.extract.finding import Blobs
from prewarp.capture.extract.frames import PanelMarks, code_columns
from prewarp.capture.extract.near import nearest
from prewarp.capture.extract.order import frame_agreement, likely_order, shown_instead, wrong_frames
from prewarp.capture.extract.reading import Readings, numbers_of_words, read_words
from prewarp.checks import BoolArray, FloatArray, IntArray

_ALWAYS_LIT = 0.97


@dataclass(frozen=True)
class Named:
    """Names of places. `found` those that agree, `readings` what was read, of `light` (n, 13) in the code
    frames
    that are `there` (13,); `cut` the windows without a code frame that shows something else; `problem` why
    the view is refused, "" where it is not.
    """

    found: Consensus
    readings: Readings
    light: FloatArray
    there: BoolArray
    cut: Cut
    problem: str = ""

    def only_lit_in(self, marks: PanelMarks) -> int | None:
        """Return the code frame in which all named dots are lit: the whole frame then showed that code
        alone.
        """
        if len(self.found.mark) < 2 * LEAST_DOTS:
            return None
        share = marks.lit[self.found.mark].mean(axis=0)
        return int(np.argmax(share)) if share.max() > _ALWAYS_LIT else None


def name_places(
    blobs: Blobs, cut: Cut, marks: PanelMarks, findings: list[str], others: Mapping[str, PanelMarks]
) -> Named:
    """Return the names of places found, with the light that spelt them.

    One code frame that shows something else is left out and told of; with more the view is refused. Where
    names make no sense they may be those of `others`, the dots of other channels by name.
    """
    used = numbers_of_words(marks.lit)
    columns = code_columns(cut.frames)
    there = columns >= 0
    light = light_in_codes(cut, columns, radius_of(blobs))
    readings = _read(light, there, used)
    found = _agreed(blobs, readings, used, marks)
    file_of = {int(step): cut.frames[columns[step]].file for step in np.flatnonzero(there)}
    other = "" if found.holds else _channel_shown(blobs, light, there, others)
    if other:
        problem = (
            f"{file_of[min(file_of)]} to {file_of[max(file_of)]}: show the dots of channel '{other}'. Are "
            "the photographs of the two channels exchanged? Rename them, or show each picture on its own "
            "panel."
        )
        return Named(found, readings, light, there, cut, problem)
    if found.map is not None and len(found.blob) >= LEAST_DOTS:
        wrong, agreement = _wrong(found, blobs, light, there, marks)
        if len(wrong) == 1:
            step = wrong[0]
            findings.append(f"{file_of[step]}: {_instead(agreement, step)}; left out. Take it again.")
            there = there.copy()
            there[step] = False
            cut = cut.without(int(columns[step]))
            readings = _read(light, there, used)
            found = _agreed(blobs, readings, used, marks)
        elif len(wrong) > 1:
            names = ", ".join(f"{file_of[step]} {_instead(agreement, step)}" for step in wrong)
            problem = (
                f"{names}: the code frames are in a wrong order, or show something else. Put them in "
                "order, or take them again."
            )
            return Named(found, readings, light, there, cut, problem)
    problem = "" if found.holds else _why_not(blobs, light, there, used, marks, found, file_of)
    return Named(found, readings, light, there, cut, problem)


def _channel_shown(
    blobs: Blobs, light: FloatArray, there: BoolArray, others: Mapping[str, PanelMarks]
) -> str:
    """Return the channel whose dots the names are, "" where of none."""
    for channel, marks in others.items():
        used = numbers_of_words(marks.lit)
        found = _agreed(blobs, _read(light, there, used), used, marks)
        if found.holds and len(found.blob) >= 2 * LEAST_DOTS:
            return channel
    return ""


def _instead(agreement: FloatArray, step: int) -> str:
    shown = shown_instead(agreement, step)
    return (
        f"shows code frame {shown}, not {step}" if shown is not None else f"does not show code frame {step}"
    )


def _wrong(
    found: Consensus, blobs: Blobs, light: FloatArray, there: BoolArray, marks: PanelMarks
) -> tuple[list[int], FloatArray]:
    """Return the code frames that do not show what the dots around named ones must show."""
    assert found.map is not None
    expected = found.map(marks.panel)
    distance, blob = (one[:, 0] for one in nearest(blobs.place, expected))
    near = distance < 0.3 * found.spacing_px
    strong = near & (blobs.light[blob] > 0.3 * np.median(blobs.light[found.blob]))
    agreement = frame_agreement(light[blob[strong]], marks.lit[strong])
    return wrong_frames(agreement, there), agreement


def _read(light: FloatArray, there: BoolArray, used: IntArray) -> Readings:
    low = np.sort(light[:, there], axis=1)[:, :5]
    noise = np.full(len(light), 0.5 * float(np.median(low.std(axis=1))) + 1e-9)
    return read_words(light, there, used, noise)


def _agreed(blobs: Blobs, readings: Readings, used: IntArray, marks: PanelMarks) -> Consensus:
    return agree(blobs.place, marks_of_words(readings.word, used), readings.light, marks.panel)


def marks_of_words(word: IntArray, used: IntArray) -> IntArray:
    """Return the mark that each word names, -1 where none."""
    order = np.argsort(used)
    at = np.minimum(np.searchsorted(used[order], word), len(used) - 1)
    mark: IntArray = np.where((word >= 0) & (used[order][at] == word), order[at], -1)
    return mark


def _why_not(
    blobs: Blobs,
    light: FloatArray,
    there: BoolArray,
    used: IntArray,
    marks: PanelMarks,
    found: Consensus,
    file_of: dict[int, str],
) -> str:
    """Return why no names agree, with the likely mend."""

    def share_of(order: IntArray) -> float:
        moved, here = np.zeros_like(light), np.zeros_like(there)
        moved[:, order], here[order] = light, there
        other = _agreed(blobs, _read(moved, here, used), used, marks)
        return other.share if other.holds and len(other.blob) >= 2 * LEAST_DOTS else 0.0

    words = likely_order(share_of, max(0.75, found.share + 0.2))
    files = f"{file_of[min(file_of)]} to {file_of[max(file_of)]}"
    if words:
        return f"{files}: the codes make sense with {words}. Put the photographs in the order of the plan."
    return (
        f"{files}: only {len(found.blob)} of {len(blobs)} places found carry names that agree with one "
        "smooth map. Are these photographs of this channel's targets, in the order of the plan, in focus?"
    )
