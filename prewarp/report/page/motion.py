"""Chapters of focus, tracker, time and sampling."""

import numpy as np

from prewarp.budget import Budget
from prewarp.budget.budget import NONE_NEEDED
from prewarp.field import motion_not_known
from prewarp.focus import NO_WARP, channel_focus, focus_step
from prewarp.published import DEPTH_OF_FOCUS, HEAD_RATES, SACCADES
from prewarp.report.page.display import CENTRE_MM, Display, EyeStudy, pair_name
from prewarp.report.page.tree import DataTable, Limit, Row, Section
from prewarp.report.page.words import number_text
from prewarp.resampling.sampling_map import SamplingMap, content_width_for, sampling_map
from prewarp.seam import panels_in_step, timing_not_known
from prewarp.tracker import LARGEST_MM

_STEP = "focus step across the seam (difference of image vergence), largest"
_OUT_OF_STEP = "panels out of step across the seam: split per rate of turn"


def focus_section(display: Display, /) -> Section:
    """Return the chapter of image vergence and the focus step."""
    limit = Limit("focus_step_dioptres", display.module.limits.focus_step_dioptres)
    rows: list[Row] = []
    for study in display.studies:
        rows += [row for name in study.eye.channels for row in _vergence(study, name)]
        if not study.eye.has_seam:
            continue
        if study.lacking is not None:
            rows.append(
                Row(
                    "focus_step_dioptres",
                    _STEP,
                    study.label,
                    unit="D",
                    limit=limit,
                    needs=study.lacking.needs,
                )
            )
            continue
        for pair in study.overlaps:
            step = focus_step(study.eye.fields, pair.channels, pair.tangent).as_dict()
            where = (
                f"at dir_x {step['focus_step_max_dir_x_deg']:.1f}, "
                f"dir_y {step['focus_step_max_dir_y_deg']:.1f} deg; mean "
                f"{number_text(step['focus_step_mean_dioptres'])} D"
                if step["directions"]
                else ""
            )
            rows.append(
                Row(
                    "focus_step_dioptres",
                    _STEP,
                    f"{study.label}, {pair_name(pair.channels)}",
                    step.get("focus_step_max_dioptres"),
                    "D",
                    step.get("focus_step_sigma_dioptres"),
                    limit=limit,
                    needs="directions that both channels show",
                    note=f"pupil centred; {where}",
                    source="curvature of the wavefront, -dt/de, along the ray; derived here",
                )
            )
    return Section("focus", "Focus", tuple(rows), text=(NO_WARP,), published=DEPTH_OF_FOCUS)


def _vergence(study: EyeStudy, channel: str) -> list[Row]:
    of = f"{study.label}, {channel}"
    lacking = motion_not_known(study.eye.fields, [channel], "image vergence")
    names = {
        "image_vergence_dioptres": "image vergence along the ray, mean",
        "astigmatism_dioptres": "astigmatism, over 95 % of the panel",
    }
    if lacking is not None:
        return [Row(key, name, of, needs=lacking.needs) for key, name in names.items()]
    found = channel_focus(study.eye.fields, channel, pupil_mm=CENTRE_MM)
    low, high = (found[f"image_vergence_{end}_dioptres"] for end in ("p05", "p95"))
    return [
        Row(
            "image_vergence_dioptres",
            names["image_vergence_dioptres"],
            of,
            found["image_vergence_mean_dioptres"],
            "D",
            found["image_vergence_sigma_dioptres"],
            note=f"5 % to 95 % of the panel: {number_text(low)} to {number_text(high)} D; 1 / D is the "
            "distance in m",
            source="curvature of the wavefront; derived here",
        ),
        Row(
            "astigmatism_dioptres",
            names["astigmatism_dioptres"],
            of,
            found["astigmatism_p95_dioptres"],
            "D",
            source="difference of the principal curvatures",
        ),
    ]


def tracker_section(display: Display, /) -> Section:
    """Return the chapter of the eye tracker: what the seam needs of it."""
    rows: list[Row] = []
    tables: list[DataTable] = []
    needs: list[tuple[str, ...]] = []
    text: list[str] = []
    for study in display.studies:
        if not study.eye.has_seam:
            continue
        if study.lacking is not None:
            rows.append(Row("tracker_accuracy_mm", _ACCURACY, study.label, needs=study.lacking.needs))
            continue
        for pair, budget in zip(study.overlaps, study.budgets, strict=True):
            of = f"{study.label}, {pair_name(pair.channels)}"
            text.append(f"{of}: {budget.sentence()}")
            needs.append(_need(budget, of))
            if budget.verdict != NONE_NEEDED:
                tables.append(_frontier(budget, of))
    if needs:
        head = ("seam", "verdict", "accuracy needed, mm", "at a latency of, ms", "longest latency, ms")
        tables.insert(0, DataTable("What each seam needs of an eye tracker", head, tuple(needs)))
    text.append(
        "The tracker is to keep the seam error under "
        + (
            "the module file's limit."
            if display.module.limits.seam_error_p95_arcmin is not None
            else "1 arcmin, the resolution limit of normal vision (common practice), since no limit is set."
        )
    )
    return Section(
        "tracker", "Tracker budget", tuple(rows), tuple(tables), text=tuple(text), published=SACCADES
    )


_ACCURACY = "eye tracker: accuracy needed, 1-sigma per axis"


def _need(budget: Budget, of: str) -> tuple[str, ...]:
    needed = budget.as_dict()["needed"] or {}
    longest = budget.frontier.longest_latency_ms
    return (
        of,
        budget.verdict if budget.is_certain else f"{budget.verdict} (undecided)",
        _text(needed.get("accuracy_mm")),
        _text(needed.get("latency_ms")),
        _text(longest),
    )


def _frontier(budget: Budget, of: str) -> DataTable:
    rows = []
    for one in budget.frontier.as_dict():
        accuracy = one["accuracy_mm"]
        largest = accuracy is not None and accuracy >= LARGEST_MM
        told = "none does" if accuracy is None else "any" if largest else number_text(accuracy)
        rows.append((f"{one['latency_ms']:.3g}", told))
    return DataTable(f"{of}: accuracy allowed for each latency", ("latency, ms", "accuracy, mm"), tuple(rows))


def scan_section(display: Display, /) -> Section:
    """Return the chapter of when panels light their lines."""
    rows: list[Row] = []
    text: list[str] = []
    for study in display.studies:
        eye = study.eye
        if not eye.has_seam:
            continue
        lacking = timing_not_known(eye.scans, eye.channels) or study.lacking
        if lacking is not None:
            rows.append(Row("out_of_step", _OUT_OF_STEP, study.label, needs=lacking.needs))
            continue
        found = panels_in_step(eye.fields, eye.scans, study.overlaps, pupils_mm=study.pupils_mm)
        for timing in found.timings:
            apart = float(np.nanmax(np.abs(timing.apart_ms)))
            rows.append(
                Row(
                    "out_of_step",
                    _OUT_OF_STEP,
                    f"{study.label}, {pair_name(timing.channels)}",
                    timing.largest_per_rate,
                    "arcmin per deg/s",
                    note=f"one direction is lit up to {number_text(apart)} ms apart",
                    source="60 arcmin per degree times the difference of times; derived here",
                )
            )
        if found.advice is not None:
            text += found.advice.sentences()
    return Section("scan", "Scan-out", tuple(rows), text=tuple(text), published=HEAD_RATES)


def sampling_maps(display: Display, /) -> list[SamplingMap]:
    """Return how finely every channel samples the content, reference colour."""
    return [
        sampling_map(study.eye.fields.field(name, study.colour), study.eye.content, pupil_mm=CENTRE_MM)
        for study in display.studies
        for name in study.eye.channels
    ]


def sampling_section(display: Display, maps: list[SamplingMap], /) -> Section:
    """Return the chapter of how finely the panels sample the content."""
    names = [(study, name) for study in display.studies for name in study.eye.channels]
    rows = []
    for (study, name), one in zip(names, maps, strict=True):
        found, of = one.as_dict(), f"{study.label}, {name}"
        least, most = (found[f"panel_{end}_px_per_deg"] for end in ("least", "most"))
        coarse, fine = found["content_undersampled_percent"], found["panel_finer_percent"]
        rows += [
            Row(
                "panel_px_per_deg",
                "angular pixel density of the panel, median",
                of,
                found["panel_median_px_per_deg"],
                "px/deg",
                note=f"{number_text(least)} to {number_text(most)}",
                source="Jacobian of the fit; term of IEC 63145-20-20, from memory",
            ),
            Row(
                "content_px_per_panel_px",
                "content px per panel px, most",
                of,
                found["scale_most_content_px_per_panel_px"],
                "",
                note=f"content undersampled in {number_text(coarse)} % of the panel, panel finer than the "
                f"content in {number_text(fine)} %",
                source="singular values of the map",
            ),
        ]
    width = content_width_for(maps, display.module.content)
    text = f"Content at least {width} px wide has a pixel for every panel pixel everywhere."
    return Section("sampling", "Sampling", tuple(rows), text=(text,))


def _text(value: float | None) -> str:
    return "-" if value is None else number_text(value)
