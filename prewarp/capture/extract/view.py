"""One view through all steps: find, read, agree, separate, measure; what is refused, and why, in words."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from prewarp.capture.codes import FRAMES
from prewarp.capture.extract.consensus import LEAST_DOTS, WEAKEST, Consensus, agree
from prewarp.capture.extract.finding import Blobs, find_blobs
from prewarp.capture.extract.frames import (
    CODE,
    WHOLE,
    Frame,
    PanelMarks,
    Sensor,
    code_columns,
    lit_in,
    relative_exposure,
)
from prewarp.capture.extract.ghosts import Ghosts, find_ghosts, marks_around
from prewarp.capture.extract.guided import add_expected
from prewarp.capture.extract.measure import FOUND, Around, Measured, measure_dots
from prewarp.capture.extract.noise import Noise
from prewarp.capture.extract.order import frame_agreement, likely_order, shown_instead, wrong_frames
from prewarp.capture.extract.reading import Readings, dot_light, numbers_of_words, read_words
from prewarp.capture.extract.windows import Windows, crop, windows_around
from prewarp.checks import BoolArray, FloatArray, IntArray
from prewarp.errors import PrewarpError

MOST_HALF = 40
LEAST_CODES = FRAMES - 2


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
class _Cut:
    """Windows of all frames that could be read, in the values of the files."""

    frames: list[Frame]
    values: np.ndarray
    sensor: Sensor
    saturated: BoolArray
    windows: Windows


def measure_view(frames: list[Frame], marks: PanelMarks, sensor: Sensor) -> View:
    """Measure the dots of one view by its whole and code frames.

    Parameters
    ----------
    frames : list of Frame
        In the order taken. Frames that cannot be read are left out and told of; one lost code frame is made
        good by the weight of names.
    """
    findings: list[str] = []
    blobs, start, frames = _first_blobs(frames, findings)
    if blobs is None or len(blobs) < LEAST_DOTS:
        count = 0 if blobs is None else len(blobs)
        where = f"{start.file}: " if start is not None else ""
        return _refused(findings, f"{where}{count} dots found; is the panel lit, the exposure long enough, the focus right?", blobs)
    half = _half(blobs)
    windows = windows_around(blobs.place, half, blobs.shape)
    cut = _cut_all(frames, windows, sensor, findings)
    columns = code_columns(cut.frames)
    there = columns >= 0
    if not any(one.kind == WHOLE for one in cut.frames):
        findings.append("no whole frame could be read: drift is not known.")
    if there.sum() < LEAST_CODES:
        return _refused(findings, f"{there.sum()} of {FRAMES} code frames; names need at least {LEAST_CODES}. Take the missing ones again.", blobs)
    light = _light_in_codes(cut, columns, _radius(blobs))
    used = numbers_of_words(marks.lit)
    found, readings, problem = _name(blobs, light, there, used, marks, cut, columns, findings)
    if problem:
        return _refused(findings, problem, blobs)
    spacing = _panel_spacing(marks)
    blob, mark = add_expected(found, blobs.place, light, there, marks.panel, marks.lit, spacing)
    return _measured(cut, blobs, blob, mark, readings, marks, found, findings)


def _measured(
    cut: _Cut,
    blobs: Blobs,
    blob: IntArray,
    mark: IntArray,
    readings: Readings,
    marks: PanelMarks,
    found: Consensus,
    findings: list[str],
) -> View:
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
    return _view(cut, mark, measured, ghosts, findings, figures, blobs, expected)


def _view(
    cut: _Cut,
    mark: IntArray,
    measured: Measured,
    ghosts: Ghosts | None,
    findings: list[str],
    figures: dict[str, Any],
    blobs: Blobs,
    expected: FloatArray,
) -> View:
    files, kinds = tuple(one.file for one in cut.frames), tuple(one.kind for one in cut.frames)
    return View(mark, measured, ghosts, findings, "", figures, blobs, files, kinds, expected, measured.noise)


def measure_by_place(frames: list[Frame], marks: PanelMarks, sensor: Sensor, named: View | None) -> View:
    """Measure the dots of a colour without code frames: each is the mark that another colour shows near by.

    Lenses show colours some px apart: the dots are moved as a whole first, then each must lie within a third
    of the spacing of where the other colour has its mark, and no second one may.
    """
    findings: list[str] = []
    if named is None or named.expected is None or named.measured is None:
        return _refused(findings, "no code frames, and no other colour of this channel whose dots have names.", None)
    blobs, start, frames = _first_blobs(frames, findings)
    if blobs is None or len(blobs) < LEAST_DOTS:
        where = f"{start.file}: " if start is not None else ""
        return _refused(findings, f"{where}too few dots found; is the panel lit, the focus right?", blobs)
    windows = windows_around(blobs.place, _half(blobs), blobs.shape)
    cut = _cut_all(frames, windows, sensor, findings)
    spacing = float(named.figures["spacing_px"])
    good = named.mark[named.measured.state == FOUND]
    blob, mark = _nearest_marks(blobs, named.expected, good, spacing)
    if len(blob) < max(LEAST_DOTS, len(good) // 2):
        return _refused(
            findings,
            f"{cut.frames[0].file}: only {len(blob)} of {len(good)} dots lie where the coded colour has them. Did "
            "the camera move in between? Take code frames of this colour as well.",
            blobs,
        )
    chosen = PanelMarks(marks.number[mark], marks.panel[mark], marks.radius[mark], marks.lit[mark])
    lit = lit_in(cut.frames, chosen)
    place = blobs.place[blob]
    windows = windows.take(blob)
    measured = measure_dots(
        cut.sensor.codes(cut.values[blob]),
        cut.saturated[blob] & (lit > 0.0),
        windows,
        lit,
        relative_exposure(cut.frames),
        place - windows.centre,
        chosen.panel,
        chosen.radius,
        Around(np.full((len(blob), 0), -1), lit_in(cut.frames, marks)),
        blobs.dead,
        named.noise,
    )
    figures: dict[str, Any] = {"blobs": len(blobs), "named_by_place": len(blob), "spacing_px": spacing}
    return _view(cut, mark, measured, named.ghosts, findings, figures, blobs, named.expected)


def _nearest_marks(
    blobs: Blobs, expected: FloatArray, good: IntArray, spacing: float
) -> tuple[IntArray, IntArray]:
    """Return places and marks (k,) that lie on each other, after a common move."""
    bright = np.flatnonzero(blobs.light > WEAKEST * np.quantile(blobs.light, 0.8))
    tree = cKDTree(blobs.place[bright])
    moved = np.zeros(2)
    for _ in range(4):
        distance, near = tree.query(expected[good] + moved)
        close = distance < 0.45 * spacing
        if not close.any():
            return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
        moved = moved + np.median((blobs.place[bright[near]] - expected[good] - moved)[close], axis=0)
    distance, near = tree.query(expected[good] + moved)
    fine = distance < spacing / 3.0
    times = np.bincount(near[fine], minlength=len(bright))
    fine &= times[near] == 1
    order = np.argsort(good[fine], kind="stable")
    return bright[near[fine]][order], good[fine][order]


def _refused(findings: list[str], why: str, blobs: Blobs | None) -> View:
    return View(np.zeros(0, dtype=int), None, None, findings, why, {}, blobs)


def _first_blobs(
    frames: list[Frame], findings: list[str]
) -> tuple[Blobs | None, Frame | None, list[Frame]]:
    """Return pieces of light of the longest whole frame that can be read, that frame, and frames left.

    Where no whole frame can be read, the brightest value of each pixel over the code frames stands for it.
    """
    wholes = sorted((one for one in frames if one.kind == WHOLE), key=lambda one: -one.exposure_ms)
    for one in wholes:
        try:
            values = one.read()
        except PrewarpError as cause:
            findings.append(str(cause))
            frames = [other for other in frames if other is not one]
            continue
        return find_blobs(values), one, frames
    most: np.ndarray | None = None
    for one in list(frames):
        try:
            values = one.read()
        except PrewarpError as cause:
            findings.append(str(cause))
            frames = [other for other in frames if other is not one]
            continue
        most = values.copy() if most is None else np.maximum(most, values)
    if most is None:
        return None, None, frames
    return find_blobs(most), None, frames


def _radius(blobs: Blobs) -> float:
    """Return the radius of a large dot, px."""
    bright = blobs.light > np.quantile(blobs.light, 0.5)
    return float(np.sqrt(np.quantile(blobs.area[bright], 0.8) / np.pi))


def _half(blobs: Blobs) -> int:
    return int(min(np.ceil(1.25 * _radius(blobs) + 6.0), MOST_HALF))


def _cut_all(frames: list[Frame], windows: Windows, sensor: Sensor, findings: list[str]) -> _Cut:
    kept, cuts = [], []
    for one in frames:
        try:
            values = one.read()
        except PrewarpError as cause:
            findings.append(str(cause))
            continue
        cuts.append(windows.cut(values))
        kept.append(one)
        del values
    raw = np.stack(cuts, axis=1)
    reach = max(2, windows.half - 5)
    over = crop(raw, reach) >= sensor.saturated
    # A pixel that is full in every code frame is hot, not bright.
    coded = [one.kind == CODE for one in kept]
    if np.count_nonzero(coded) >= LEAST_CODES:
        over &= ~over[:, coded].all(axis=1)[:, None]
    saturated = over.any(axis=(2, 3))
    return _Cut(kept, raw, sensor, saturated, windows)


def _light_in_codes(cut: _Cut, columns: IntArray, radius: float) -> FloatArray:
    light = np.zeros((len(cut.values), FRAMES))
    for step in np.flatnonzero(columns >= 0):
        light[:, step] = dot_light(cut.sensor.codes(cut.values[:, columns[step]]), max(1.0, 0.8 * radius))
    return light


def _name(
    blobs: Blobs,
    light: FloatArray,
    there: BoolArray,
    used: IntArray,
    marks: PanelMarks,
    cut: _Cut,
    columns: IntArray,
    findings: list[str],
) -> tuple[Consensus, Readings, str]:
    """Return names that agree, what was read, and why the view is refused ("" where it is not)."""
    readings = _read(light, there, used)
    found = _agreed(blobs, readings, used, marks)
    file_of = {int(step): cut.frames[columns[step]].file for step in np.flatnonzero(columns >= 0)}
    if found.map is not None and len(found.blob) >= LEAST_DOTS:
        wrong, agreement = _wrong(found, blobs, light, there, marks)
        if len(wrong) == 1:
            step = wrong[0]
            shown = shown_instead(agreement, step)
            says = f"shows code frame {shown}" if shown is not None else "does not show the dots of"
            tail = f", not {step}" if shown is not None else f" code frame {step}"
            findings.append(f"{file_of[step]}: {says}{tail}; left out. Take it again.")
            there = there.copy()
            there[step] = False
            readings = _read(light, there, used)
            found = _agreed(blobs, readings, used, marks)
        elif len(wrong) > 1:
            names = ", ".join(f"{file_of[step]} ({_instead(agreement, step)})" for step in wrong)
            return found, readings, f"{names}: code frames in a wrong order or of something else. Put them in order, or take them again."
    if not found.holds:
        return found, readings, _why_not(blobs, light, there, used, marks, found, file_of)
    return found, readings, ""


def _instead(agreement: FloatArray, step: int) -> str:
    shown = shown_instead(agreement, step)
    return f"shows code frame {shown}, not {step}" if shown is not None else f"does not show code frame {step}"


def _wrong(
    found: Consensus, blobs: Blobs, light: FloatArray, there: BoolArray, marks: PanelMarks
) -> tuple[list[int], FloatArray]:
    """Return the code frames that do not show what the dots around named ones must show."""
    assert found.map is not None
    expected = found.map(marks.panel)
    distance, blob = cKDTree(blobs.place).query(expected)
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
        f"{files}: only {len(found.blob)} of {len(blobs)} places found carry names that agree with one smooth "
        "map. Are these photographs of this channel's targets, in the order of the plan, in focus?"
    )


def _panel_spacing(marks: PanelMarks) -> float:
    return float(np.median(cKDTree(marks.panel).query(marks.panel, k=2)[0][:, 1]))
