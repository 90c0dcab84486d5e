"""Chapters of the seam and of both eyes: registration, seam error, binocular parallax."""

import numpy as np

from prewarp.binocular import (
    binocular_directions,
    converged_pupils_mm,
    disparity,
    fixed_worst,
    vergence_dioptres,
)
from prewarp.budget import EyeMotion
from prewarp.eye import Eye
from prewarp.module import EYES
from prewarp.published import DIPLOPIA, VERGENCE_CONFLICT, VERTICAL_MISALIGNMENT
from prewarp.report.page.display import CENTRE_MM, Display, EyeStudy, pair_name
from prewarp.report.page.geometry import place_sigma_arcmin
from prewarp.report.page.tree import Limit, Row, Section
from prewarp.report.page.words import number_text
from prewarp.seam import Overlap

P95 = 95.0
_REGISTRATION = "uncertainty of the registration of the channels, 1-sigma, over 95 % of the overlap"
_FIXED = "seam error, correction fixed, worst place and corner of the eye box"
_PER_MM = "seam error per mm of tracker error, worst place"
_NATURAL_FIXED = "seam error without a tracker, 95 % of time samples of natural eye movement"
_NATURAL_TRACKED = "seam error with the given tracker, 95 % of time samples of natural eye movement"
_SEAM_KEYS = (
    ("registration_sigma_arcmin", _REGISTRATION),
    ("seam_error_fixed_arcmin", _FIXED),
    ("seam_error_per_mm_arcmin", _PER_MM),
    ("seam_error_p95_fixed_arcmin", _NATURAL_FIXED),
)
# Where converging eyes look, m, and the distance between pupils (Dodgson 2004: most adults 50 to 75 mm).
_NEAR_M, _PUPIL_DISTANCE_MM = 1.0, 63.0
_FORMULA = "angle between f_a(f_a^-1(t, e'), e) and f_b(f_b^-1(t, e'), e)"


def seam_section(display: Display, /) -> Section:
    """Return the chapter of registration and seam error."""
    limit = Limit("seam_error_p95_arcmin", display.module.limits.seam_error_p95_arcmin)
    rows: list[Row] = []
    text: list[str] = []
    for study in display.studies:
        if not study.eye.has_seam:
            text.append(f"{study.label}: one channel, '{study.eye.channels[0]}'; there is no seam.")
        elif study.lacking is not None:
            rows += [Row(key, name, study.label, needs=study.lacking.needs) for key, name in _SEAM_KEYS]
            rows.append(
                Row(
                    "seam_error_p95_arcmin",
                    _NATURAL_TRACKED,
                    study.label,
                    unit="arcmin",
                    limit=limit,
                    needs=study.lacking.needs,
                )
            )
        else:
            for place, pair in enumerate(study.overlaps):
                rows += _pair_rows(study, place, pair, limit)
    against = display.fields.provenance.get("registered_against")
    text.append(
        f"Channels were registered by seam pairs, against '{against}'."
        if against
        else "Channels stand as they were captured. They share one frame if one camera saw them "
        "all; otherwise register them by seam pairs first."
    )
    return Section("seam", "Registration and seam error", tuple(rows), text=tuple(text))


def _pair_rows(study: EyeStudy, place: int, pair: Overlap, limit: Limit) -> list[Row]:
    of = f"{study.label}, {pair_name(pair.channels)}"
    found, budget = study.sensitivities[place], study.budgets[place]
    fixed = int(np.nanargmax(found.fixed_worst_arcmin))
    x, y = np.degrees(np.arctan(pair.tangent[fixed]))
    pupil = ", ".join(f"{one:g}" for one in found.fixed_worst_pupil_mm[fixed])
    tracker, sigma = budget.tracker, _pair_sigma(study, pair)
    return [
        Row(
            "registration_sigma_arcmin",
            _REGISTRATION,
            of,
            sigma,
            "arcmin",
            needs="a fit whose capture says how sure it is over the overlap",
            note="both fits, pupil centred; a turn of a whole channel is taken as exact",
            source="root of the sum of squares",
        ),
        Row(
            "seam_error_fixed_arcmin",
            _FIXED,
            of,
            float(found.fixed_worst_arcmin[fixed]),
            "arcmin",
            sigma,
            note=f"at dir_x {x:.1f}, dir_y {y:.1f} deg, pupil ({pupil}) mm",
            source=_FORMULA,
        ),
        Row(
            "seam_error_per_mm_arcmin",
            _PER_MM,
            of,
            float(np.nanmax(found.tracked_worst_arcmin_per_mm)),
            "arcmin/mm",
            note="any pupil of the eye box, any direction of the tracker's error",
            source="largest singular value of S_b - S_a, S = df/de",
        ),
        Row(
            "seam_error_p95_fixed_arcmin",
            _NATURAL_FIXED,
            of,
            budget.fixed.percentile_arcmin(P95),
            "arcmin",
            interval=budget.fixed.interval_arcmin(P95),
            note="reported only; the tracker budget says whether a tracker is needed",
            source="seeded simulation of eye movement",
        ),
        Row(
            "seam_error_p95_arcmin",
            _NATURAL_TRACKED,
            of,
            budget.tracked.percentile_arcmin(P95),
            "arcmin",
            interval=budget.tracked.interval_arcmin(P95),
            limit=limit,
            note=f"accuracy {tracker.accuracy_mm:g} mm, noise {tracker.noise_mm:g} mm, latency "
            f"{tracker.latency_ms:g} ms, {tracker.rate_hz:g} Hz; the interval is that of the simulation",
            source="seeded simulation of eye movement",
        ),
    ]


def _pair_sigma(study: EyeStudy, pair: Overlap) -> float | None:
    square = np.zeros(len(pair.tangent))
    for name in pair.channels:
        field = study.eye.fields.field(name, study.colour)
        found = field.inverse(pair.tangent, pupil_mm=CENTRE_MM)
        pixel = np.where(found.valid[:, None], found.pixel, np.asarray(field.panel_size_px) / 2.0)
        sigma = place_sigma_arcmin(study, field, pixel, CENTRE_MM)
        square += np.where(found.valid, sigma, np.nan) ** 2
    known = square[np.isfinite(square)]
    return float(np.sqrt(np.quantile(known, 0.95))) if len(known) > 0.5 * len(square) else None


def binocular_section(display: Display, /) -> Section:
    """Return the chapter of what a correction adds between the eyes."""
    title, published = "Binocular parallax", (*VERTICAL_MISALIGNMENT, *VERGENCE_CONFLICT, *DIPLOPIA)
    eyes = {str(study.eye.side): study.eye for study in display.studies}
    needs = ""
    if set(eyes) != set(EYES):
        needs = "channels for both eyes in one module and one fit"
    else:
        needs = next((one.lacking.needs for one in display.studies if one.lacking is not None), "")
    if needs:
        rows = tuple(
            Row(f"{kind}_max_arcmin", f"{name} between the eyes, largest", needs=needs)
            for kind, name in _KINDS.items()
        )
        return Section("binocular", title, rows, published=published)
    return Section(
        "binocular",
        title,
        tuple(_binocular_rows(eyes, display.fields.colours[0])),
        text=(
            "For content far away, with the frames of both eyes parallel. Comfort and safety "
            "limits between the eyes are for qualified people to set.",
        ),
        published=published,
    )


_KINDS = {"dipvergence": "vertical misalignment (dipvergence)", "horizontal": "horizontal disparity"}


def _binocular_rows(eyes: dict[str, Eye], colour: str) -> list[Row]:
    tangent = binocular_directions(eyes)
    centred = dict.fromkeys(eyes, CENTRE_MM)
    near = converged_pupils_mm(_NEAR_M, _PUPIL_DISTANCE_MM, EyeMotion().lever_mm[0])
    box = next(iter(eyes.values())).eye_box.corners
    found = {
        "pupils centred": disparity(
            eyes, tangent, pupils_mm=centred, tracked_pupils_mm=centred, colour=colour
        ),
        f"pupils converged on {_NEAR_M:g} m, correction fixed": disparity(
            eyes, tangent, pupils_mm=near, tracked_pupils_mm=centred, colour=colour
        ),
        "worst of both eye boxes, correction fixed": fixed_worst(eyes, tangent, pupils_mm=box, colour=colour),
    }
    rows = []
    for state, one in found.items():
        for kind, name in _KINDS.items():
            size = np.abs(getattr(one, f"{kind}_arcmin"))
            largest = float(np.nanmax(size)) if np.isfinite(size).any() else None
            note = (
                f"median {number_text(float(np.nanmedian(size)))}, {len(tangent)} directions"
                if largest is not None
                else ""
            )
            if kind == "horizontal" and largest is not None:
                note += (
                    f"; {number_text(float(vergence_dioptres(largest, _PUPIL_DISTANCE_MM)))} D of vergence"
                )
            rows.append(
                Row(
                    f"{kind}_max_arcmin",
                    f"{name}, largest",
                    state,
                    largest,
                    "arcmin",
                    needs="directions that both eyes see",
                    note=note,
                    source="difference of directions of the two eyes; mean of channels by their light",
                )
            )
    return rows
