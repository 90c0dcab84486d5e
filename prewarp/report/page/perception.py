"""Chapter of what an eye may see of the seam: measured figures beside published thresholds, none a limit."""

from collections.abc import Iterable

import numpy as np

from prewarp.published import ACUITY, DIPLOPIA, LUMINANCE_STEP, VERTICAL_MISALIGNMENT, Published
from prewarp.report.page.display import Display, EyeStudy, pair_name
from prewarp.report.page.tree import DataTable, Row, Section
from prewarp.report.page.words import number_text
from prewarp.seam import Overlap
from prewarp.seam.directions import node_areas_deg2, plane_deg_from_tangent

_RESOLUTION, _VERNIER = ACUITY
# Which row stands beside which published figures, and of which states of the eyes.
_BESIDE: tuple[tuple[str, str, tuple[Published, ...]], ...] = (
    ("seam_error_p95_arcmin", "", ACUITY),
    ("seam_error_p95_fixed_arcmin", "", ACUITY),
    ("luminance_step_percent", "", LUMINANCE_STEP),
    ("horizontal_max_arcmin", "pupils centred", DIPLOPIA),
    ("horizontal_max_arcmin", "pupils converged", DIPLOPIA),
    ("dipvergence_max_arcmin", "pupils centred", VERTICAL_MISALIGNMENT),
)


def perception_section(display: Display, rows: Iterable[Row], /) -> Section:
    """Return the chapter; `rows` are those of the other chapters, whose values it uses."""
    own: list[Row] = []
    for study in display.studies:
        if study.lacking is not None or not study.eye.has_seam:
            continue
        for place, pair in enumerate(study.overlaps):
            own += _areas(study, place, pair)
    lines = [
        line
        for key, state, published in _BESIDE
        for row in rows
        if row.key == key and row.known and row.of.startswith(state)
        for line in _beside(row, published)
    ]
    head = ("measured", "value", "published figure", "threshold", "value over threshold", "source")
    tables = (DataTable("Measured figures beside published thresholds", head, tuple(lines)),) if lines else ()
    return Section(
        "perception",
        "What an eye may see of the seam",
        tuple(own),
        tables,
        text=(
            "Thresholds are from the literature, for trained observers and good light unless "
            "said otherwise; none of them is a limit of this report. Which limit holds for whom "
            "is for qualified people to decide.",
        ),
    )


def _areas(study: EyeStudy, place: int, pair: Overlap) -> list[Row]:
    """Return how large the overlap is, and where its seam error exceeds a just-noticeable difference."""
    of = f"{study.label}, {pair_name(pair.channels)}"
    step = float(np.diff(pair.axes_deg[0][:2])[0])
    area = node_areas_deg2(plane_deg_from_tangent(pair.tangent), step)
    error = study.sensitivities[place].fixed_worst_arcmin
    known = np.isfinite(error)
    rows = [
        Row(
            "overlap_deg2",
            "area of the seam: directions that two channels light",
            of,
            float(area.sum()),
            "deg²",
            note="served from the whole eye box",
            source="solid angle of a lattice of directions",
        )
    ]
    for key, published, threshold in (
        ("area_above_resolution_percent", _RESOLUTION, _RESOLUTION.low),
        ("area_above_vernier_percent", _VERNIER, _VERNIER.high),
    ):
        rows.append(
            Row(
                key,
                f"part of the seam with a seam error above {threshold:g} arcmin ({published.what}), "
                "worst pupil, correction fixed",
                of,
                float(100.0 * area[known & (error > threshold)].sum() / area[known].sum()),
                "%",
                note=f"just-noticeable difference: {published.condition}",
                source=published.source + ("" if published.read else "; from memory"),
            )
        )
    budget = study.budgets[place]
    for key, name, simulation in (
        ("directions_above_resolution_fixed_percent", "without a tracker", budget.fixed),
        ("directions_above_resolution_percent", "with the given tracker", budget.tracked),
    ):
        worst = simulation.by_direction_arcmin
        worst = worst[np.isfinite(worst)]
        rows.append(
            Row(
                key,
                f"part of the seam's directions above {_RESOLUTION.low:g} arcmin at "
                f"{budget.limit.percentile:g} % of time samples, {name}",
                of,
                float(100.0 * np.mean(worst > _RESOLUTION.low)) if worst.size else None,
                "%",
                needs="time samples with the pupil inside the eye box",
                note=f"{worst.size} directions of the seam",
                source="seeded simulation of eye movement",
            )
        )
    return rows


def _beside(row: Row, published: tuple[Published, ...]) -> list[tuple[str, ...]]:
    assert row.value is not None
    lines: list[tuple[str, ...]] = []
    for one in published:
        threshold = f"{one.low:g}" if one.low == one.high else f"{one.low:g} to {one.high:g}"
        ends = sorted({row.value / one.high, row.value / one.low})
        over = " to ".join(number_text(float(end)) for end in ends)
        lines.append(
            (
                f"{row.quantity}; {row.of}" if row.of else row.quantity,
                f"{number_text(row.value)} {row.unit}",
                f"{one.what} ({one.condition})",
                f"{threshold} {'%' if one.unit == 'percent' else one.unit}",
                over,
                one.source + ("" if one.read else "; from memory"),
            )
        )
    return lines
