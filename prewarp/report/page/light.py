"""Chapters of light: luminance and uniformity, secondary images, real-world transmittance."""

from dataclasses import dataclass

import numpy as np

from prewarp.field.field import Field
from prewarp.photometry import LightMatch
from prewarp.points import lattice_points
from prewarp.render.seam_light import SeamLight, seam_light
from prewarp.report.page.display import CENTRE_MM, Display, EyeStudy
from prewarp.report.page.tree import Limit, Row, Section

_NEEDS_GRID = "a grid with the column 'luminance' (--light GRID)"
_STEP = "relative luminance step of a uniform field across the seam, channels matched, worst line"
# Where nine points of a panel lie, as shares of width and height.
_NINE = (1.0 / 6.0, 0.5, 5.0 / 6.0)
# Where the seam is looked at, as shares of the eye box's half sizes: off any usual capture lattice.
_SHARES = np.array([[0.0, 0.0, 0.0], [0.37, -0.41, 0.2]])


@dataclass(frozen=True)
class SeamSeen:
    """A uniform field across the seam of an eye, from one pupil position."""

    title: str
    view: SeamLight


# Eyes whose luminance is known, and their seams from some pupil positions.
Seen = list[tuple[EyeStudy, list[SeamSeen]]]


def looked_at(display: Display, /) -> Seen:
    """Return the seam of every eye whose luminance is known, from a few pupil positions."""
    found = []
    for study in display.studies:
        if study.eye.match is None:
            continue
        seen = []
        places = _SHARES * display.module.eye_box.half_mm
        # Where only the middle is known, only the middle is looked at from.
        places = places if study.uncaptured is None else places[:1]
        for place in places if study.eye.has_seam else ():
            pupil = ", ".join(f"{one:.3g}" for one in place)
            seen.append(SeamSeen(f"pupil ({pupil}) mm", seam_light(study.eye, pupil_mm=place)))
        found.append((study, seen))
    return found


def luminance_section(display: Display, seen: Seen, /) -> Section:
    """Return the chapter of luminance and uniformity."""
    measured = display.module.measured
    limit = Limit("luminance_step_percent", display.module.limits.luminance_step_percent)
    rows = [
        Row(
            "luminance_cd_m2",
            "luminance of full white, mid-field",
            "",
            measured.luminance_cd_m2,
            "cd/m2",
            measured.luminance_sigma_cd_m2,
            needs="[measured] luminance_cd_m2 in the module file, by a luminance meter through the eye box",
            note=measured.note or "",
            source="module file; IEC 63145-20-10 and IDMS, from memory",
        )
    ]
    matched = {study.label: views for study, views in seen}
    for study in display.studies:
        if study.eye.match is None:
            rows.append(Row("uniformity_percent", _UNIFORMITY, study.label, needs=_NEEDS_GRID))
            if study.eye.has_seam:
                rows.append(
                    Row(
                        "luminance_step_percent", _STEP, study.label, unit="%", limit=limit, needs=_NEEDS_GRID
                    )
                )
            continue
        rows += _uniformity(study, study.eye.match)
        rows.append(
            Row(
                "light_kept_percent",
                "light kept by the match of the channels",
                study.label,
                study.eye.match.kept_percent,
                "%",
                note="compared with the mean that the blended channels give unmatched",
                source="one target below what every channel gives",
            )
        )
        rows += _steps(study, matched[study.label], limit)
    return Section("luminance", "Luminance and uniformity", tuple(rows))


_UNIFORMITY = "luminance uniformity of a channel, lowest of nine points over highest"


def _uniformity(study: EyeStudy, match: LightMatch) -> list[Row]:
    rows = []
    for channel in study.eye.channels:
        field: Field = study.eye.fields.field(channel, study.colour)
        width, height = field.panel_size_px
        pixel = lattice_points(np.array(_NINE) * width, np.array(_NINE) * height)
        tangent = field.forward(pixel, pupil_mm=CENTRE_MM)
        good = np.isfinite(tangent).all(axis=1) & (field.depth_px(pixel, pupil_mm=CENTRE_MM) >= 0.0)
        light = match.maps.map(channel, study.colour).at(pixel[good], tangent[good], pupil_mm=CENTRE_MM)
        rows.append(
            Row(
                "uniformity_percent",
                _UNIFORMITY,
                f"{study.label}, {channel}, {study.colour}",
                float(100.0 * light.min() / light.max()) if len(light) else None,
                "%",
                needs="points of the panel that are lit",
                note=f"before the match, pupil centred; {int(good.sum())} of nine points are lit",
                source="nine-point uniformity of IDMS, from memory",
            )
        )
    return rows


def _steps(study: EyeStudy, seen: list[SeamSeen], limit: Limit) -> list[Row]:
    rows = []
    for one in seen:
        before, after = (getattr(one.view, part)[one.view.worst] for part in ("before", "after"))
        of = f"{study.label}, {one.title}, {one.view.worst}"
        rows.append(
            Row(
                "luminance_step_before_percent",
                "relative luminance step of a uniform field across the seam, channels not matched",
                of,
                before.as_dict()["step_percent"],
                "%",
                needs="luminance from pupil positions that spread over an area",
                source="difference of both sides over their mean (Michelson's contrast times two)",
            )
        )
        draws = after.draws
        known = draws is not None and draws.known
        interval = None
        if draws is not None and known:
            low, high = (draws.bound_percent(draws.step_percent, share) for share in (0.025, 0.975))
            interval = (float(low), float(high))
        rows.append(
            Row(
                "luminance_step_percent",
                _STEP,
                of,
                after.as_dict()["step_percent"],
                "%",
                interval=interval,
                limit=limit,
                needs="luminance from pupil positions that spread over an area",
                note="includes what the samples leave uncertain in the luminance maps, and dither and "
                "bits of the panels",
                source="difference of both sides over their mean",
            )
        )
    return rows


def ghost_section(display: Display, /) -> Section:
    """Return the chapter of secondary images."""
    measured = display.module.measured
    rows = [
        Row(
            "ghost_percent",
            "strongest secondary image, luminance relative to its own image",
            "",
            measured.ghost_percent,
            "%",
            measured.ghost_sigma_percent,
            needs="[measured] ghost_percent in the module file; a warp neither shows nor mends it",
            note=measured.note or "",
            source="module file; secondary images of SAE ARP5287, from memory",
        )
    ]
    column = None if display.luminance is None else display.luminance.extra.get("ghost")
    if column is not None and np.issubdtype(np.asarray(column).dtype, np.number):
        found = np.asarray(column, dtype=float)
        found = found[np.isfinite(found)]
        if found.size:
            rows.append(
                Row(
                    "ghost_of_dots_percent",
                    "strongest ghost of a dot of the capture, relative to the dot",
                    "",
                    100.0 * float(found.max()),
                    "%",
                    note=f"median {100.0 * float(np.median(found)):.2g} %, {found.size} dots",
                    source="column 'ghost' of the grid, written by prewarp extract",
                )
            )
    return Section("ghosts", "Secondary images", tuple(rows))


def transmittance_section(display: Display, /) -> Section:
    """Return the chapter of the real world seen through the optics."""
    measured = display.module.measured
    rows = (
        Row(
            "transmittance_percent",
            "real-world luminous transmittance, mid-field",
            "",
            measured.transmittance_percent,
            "%",
            measured.transmittance_sigma_percent,
            needs="[measured] transmittance_percent in the module file, by a photometer with and without the "
            "optics before a source of daylight",
            note=measured.note or "",
            source="module file; SAE ARP5287 and ISO 13666, from memory",
        ),
        Row(
            "real_world_deviation",
            "displacement and distortion of the real world by the combiner",
            needs="a capture of a far target with and without the optics",
            source="SAE ARP5287, from memory",
        ),
    )
    return Section("transmittance", "Real-world transmittance", rows)
