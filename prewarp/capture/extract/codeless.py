"""Views without code frames: dots named by place after another colour, and marks that name themselves."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from prewarp.capture.extract.consensus import LEAST_DOTS, WEAKEST
from prewarp.capture.extract.cutting import Cut, cut_all, first_blobs
from prewarp.capture.extract.finding import Blobs
from prewarp.capture.extract.frames import Frame, PanelMarks, Sensor, lit_in, relative_exposure
from prewarp.capture.extract.measure import FOUND, SATURATED, Around, Measured, measure_dots
from prewarp.capture.extract.near import nearest
from prewarp.capture.extract.noise import Noise
from prewarp.capture.extract.one_frame import name_by_pattern
from prewarp.capture.extract.view import View, no_photograph, refused_view, too_few_dots, view_of
from prewarp.capture.extract.whole_pitch import OFF, OPEN, whole_pitch
from prewarp.checks import FloatArray, IntArray

# A plane over the panel has three terms: so many dots say how they are mapped.
FEWEST_NEAR = 4


def measure_by_place(frames: list[Frame], marks: PanelMarks, sensor: Sensor, named: View | None) -> View:
    """Measure the dots of a colour without code frames: each is the mark that another colour shows near by.

    Lenses show colours some px apart: the dots are moved as a whole first, then each must lie within a third
    of the spacing of where the other colour has its mark, and no second one may.
    """
    findings: list[str] = []
    if named is None or named.expected is None or named.measured is None:
        return refused_view(
            findings, "no code frames, and no other colour of this channel whose dots have names.", None
        )
    given = frames
    blobs, start, frames = first_blobs(frames, findings)
    if not frames:
        return refused_view(findings, no_photograph(given), None)
    if blobs is None or len(blobs) < LEAST_DOTS:
        return refused_view(findings, too_few_dots(0 if blobs is None else len(blobs), start, sensor), blobs)
    cut = cut_all(frames, blobs, sensor, findings)
    spacing = float(named.figures["spacing_px"])
    good = named.mark[named.measured.state == FOUND]
    if len(good) == 0:
        states, counts = np.unique(named.measured.state, return_counts=True)
        why = ", ".join(f"{count} {state}" for state, count in zip(states, counts, strict=True))
        words = f"no dot of the coded colour, which names these, was measured: {why}."
        if SATURATED in states:
            words += " Shorten the exposure, or correct full_scale and shift_bits of the camera file."
        return refused_view(findings, words, blobs)
    blob, mark, moved = _nearest_marks(blobs, named.expected, good, spacing)
    if len(blob) < max(LEAST_DOTS, len(good) // 2):
        return refused_view(
            findings,
            f"{cut.frames[0].file}: only {len(blob)} of {len(good)} dots lie where the coded colour has "
            "them. Did the camera move in between? Take code frames of this colour as well.",
            blobs,
        )
    bright = _bright(blobs)
    verdict = whole_pitch(
        blobs.place[bright],
        blobs.light[bright],
        named.expected[good] + moved,
        marks.panel[good],
        named.measured.light[named.measured.state == FOUND],
        marks.panel,
        spacing,
    )
    if verdict == OFF:
        return refused_view(
            findings,
            f"{cut.frames[0].file}: the dots fit the coded colour better when moved by a whole "
            "pitch, so names by place are not sure. Take code frames of this colour as well.",
            blobs,
        )
    if verdict == OPEN:
        findings.append(
            "dots are named by place, and neither the lattice's rim nor light tells whether all "
            "names are off by a whole pitch. Take code frames of this colour as well, or have "
            "the rim in view."
        )
    measured = _measured(cut, blobs, blob, mark, marks, named.noise)
    figures: dict[str, Any] = {
        "blobs": len(blobs),
        "named_by_place": len(blob),
        "whole_pitch": verdict,
        "spacing_px": spacing,
    }
    return view_of(cut, mark, measured, named.ghosts, findings, figures, blobs, named.expected)


def measure_one_frame(
    frames: list[Frame], marks: PanelMarks, sensor: Sensor, others: Mapping[str, PanelMarks]
) -> View:
    """Measure marks that name themselves, by one photograph of each exposure.

    `others`: marks of other channels by name, told of where the photographs show theirs.
    """
    findings: list[str] = []
    given = frames
    blobs, start, frames = first_blobs(frames, findings)
    if not frames:
        return refused_view(findings, no_photograph(given), None)
    if blobs is None or start is None or len(blobs) < LEAST_DOTS:
        return refused_view(findings, too_few_dots(0 if blobs is None else len(blobs), start, sensor), blobs)
    named = name_by_pattern(blobs, marks, others, start.file)
    if named.problem:
        return refused_view(findings, named.problem, blobs)
    cut = cut_all(frames, blobs, sensor, findings)
    found = named.found
    assert found.map is not None
    order = np.argsort(found.mark, kind="stable")
    blob, mark = found.blob[order], found.mark[order]
    measured = _measured(cut, blobs, blob, mark, marks, None)
    figures: dict[str, Any] = {
        "blobs": len(blobs),
        "named_by_size": len(blob),
        "share_of_names_that_agree": round(found.share, 4),
        "spacing_px": round(found.spacing_px, 3),
    }
    return view_of(cut, mark, measured, None, findings, figures, blobs, found.map(marks.panel))


def measure_near(
    frames: list[Frame], dots: PanelMarks, expected: FloatArray, sensor: Sensor, known: Measured
) -> tuple[IntArray, Measured] | None:
    """Return which of a few dots (m, 2) were seen where they are expected, and them measured; None: too few.

    `known`: dots of the same view, for the noise. A dot counts where it alone lies near its place.
    """
    blobs, _, frames = first_blobs(frames, [])
    if blobs is None or len(blobs) < FEWEST_NEAR:
        return None
    cut = cut_all(frames, blobs, sensor, [])
    bright = _bright(blobs)
    apart = nearest(expected, expected, 2)[0][:, -1]
    distance, near = (one[:, 0] for one in nearest(blobs.place[bright], expected))
    fine = distance < apart / 3.0
    times = np.bincount(near[fine], minlength=len(bright))
    mark = np.flatnonzero(fine & (times[near] == 1))
    if len(mark) < FEWEST_NEAR:
        return None
    return mark, _measured(cut, blobs, bright[near[mark]], mark, dots, known.noise)


def _measured(
    cut: Cut, blobs: Blobs, blob: IntArray, mark: IntArray, marks: PanelMarks, noise: Noise | None
) -> Measured:
    """Return dots measured without codes: what else lies on them stays in them."""
    chosen = PanelMarks(marks.number[mark], marks.panel[mark], marks.radius[mark], marks.lit[mark])
    lit = lit_in(cut.frames, chosen)
    windows = cut.windows.take(blob)
    return measure_dots(
        cut.sensor.codes(cut.values[blob]),
        cut.saturated[blob] & (lit > 0.0),
        windows,
        lit,
        relative_exposure(cut.frames),
        blobs.place[blob] - windows.centre,
        chosen.panel,
        chosen.radius,
        Around(np.full((len(blob), 0), -1), lit_in(cut.frames, marks)),
        blobs.dead,
        noise,
    )


def _bright(blobs: Blobs) -> IntArray:
    bright: IntArray = np.flatnonzero(blobs.light > WEAKEST * np.quantile(blobs.light, 0.8))
    return bright


def _nearest_marks(
    blobs: Blobs, expected: FloatArray, good: IntArray, spacing: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return places and marks (k,) that lie on each other after a common move (2,) px, and that."""
    bright = _bright(blobs)
    seen = blobs.place[bright]
    moved = np.zeros(2)
    for _ in range(4):
        distance, near = (one[:, 0] for one in nearest(seen, expected[good] + moved))
        close = distance < 0.45 * spacing
        if not np.any(close):
            return np.zeros(0, dtype=int), np.zeros(0, dtype=int), moved
        moved = moved + np.median((seen[near] - expected[good] - moved)[close], axis=0)
    distance, near = (one[:, 0] for one in nearest(seen, expected[good] + moved))
    fine = distance < spacing / 3.0
    times = np.bincount(near[fine], minlength=len(bright))
    fine &= times[near] == 1
    order = np.argsort(good[fine], kind="stable")
    return bright[near[fine]][order], good[fine][order], moved
