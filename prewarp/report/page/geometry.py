"""Chapters of geometry: field of view, eye box, distortion."""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field import prediction_sigma
from prewarp.field.field import Field
from prewarp.frames import arcmin_between
from prewarp.points import lattice_points
from prewarp.quality.conformance import COVERAGE
from prewarp.report.page.display import CENTRE_MM, Display, EyeStudy
from prewarp.report.page.tree import Limit, Row, Section
from prewarp.report.page.words import number_text
from prewarp.seam import field_of_view, survey_overlap
from prewarp.seam.reach import reaches_of

_WAYS = ("horizontal", "vertical", "diagonal")
# Points along each side of a panel.
_POINTS = 17
_GREAT_CIRCLE = "angle between end directions (never a sum of angles)"
_LOST = "field lost: part of the field of view that no channel lights"
_FIT = "covariance of the fit (JCGM 100:2008); prewarp's map of prediction"


def field_of_view_section(display: Display, /) -> Section:
    """Return the chapter of the field of view and of what no channel lights."""
    rows: list[Row] = []
    for study in display.studies:
        eye = study.eye
        centre = reaches_of(eye.fields, eye.channels, pupils_mm=CENTRE_MM[None])
        for key, name, reaches in (
            ("centre", "instantaneous field of view, pupil at the eye-box centre", centre),
            ("box", "field of view served from the whole eye box", eye.seam.reaches),
        ):
            if key == "box" and study.uncaptured is not None:
                needs = study.uncaptured.needs
                rows += [
                    Row(f"field_{key}_{way}_deg", f"{name}, {way}", study.label, needs=needs) for way in _WAYS
                ]
                continue
            found = field_of_view(reaches)
            rows += [
                Row(
                    f"field_{key}_{way}_deg",
                    f"{name}, {way}",
                    study.label,
                    float(getattr(found, f"{way}_deg")),
                    "deg",
                    note="out to the captured and lit part of the panels, whose borders are the hull of the "
                    "dots",
                    source=f"{_GREAT_CIRCLE}; terms of SAE ARP5287, from memory",
                )
                for way in _WAYS
            ]
        rows.append(_lost(study, display.module.limits.field_lost_percent))
    return Section("field_of_view", "Field of view", tuple(rows))


def _lost(study: EyeStudy, limit: float | None) -> Row:
    """Return how much of the field no channel lights, from the worst pupil position."""
    if study.uncaptured is not None:
        needs = study.uncaptured.needs
        return Row(
            "field_lost_percent",
            _LOST,
            study.label,
            unit="%",
            limit=Limit("field_lost_percent", limit),
            needs=needs,
        )
    worst = max(study.gaps, key=lambda one: one.gap_deg2)
    least, value, most = worst.lost_percent
    pupil = ", ".join(f"{one:g}" for one in worst.pupil_mm)
    return Row(
        "field_lost_percent",
        _LOST,
        study.label,
        value,
        "%",
        interval=(min(least, value), max(most, value)) if worst.spacing_deg else None,
        limit=Limit("field_lost_percent", limit),
        note=f"worst of {len(study.gaps)} pupil positions, ({pupil}) mm; {number_text(worst.gap_deg2)} deg²",
        source="lattice of 0.125 deg, solid angle; gaps under 0.1 deg are not looked for",
    )


def eye_box_section(display: Display, /) -> Section:
    """Return the chapter of the eye box: what is meant, what was captured, what it costs the overlap."""
    rows: list[Row] = []
    half = display.module.eye_box.half_mm
    for axis, name in enumerate(("wide", "high", "deep")):
        rows.append(
            Row(
                f"eye_box_{name}_mm",
                f"eye box (qualified viewing space of IDMS, from memory), {name}",
                "given",
                float(2.0 * half[axis]),
                "mm",
                note="nominal, from the module file; all that follows holds for this box",
                source="module file",
            )
        )
    for study in display.studies:
        eye = study.eye
        rows.append(
            Row(
                "eye_box_outside_capture_mm",
                "farthest that the eye box reaches outside the captured pupil positions",
                study.label,
                max((one.farthest_mm for one in study.outside), default=0.0),
                "mm",
                note="0: captured positions surround every ray of the eye box; else figures there are "
                "extrapolated",
                source="hull of captured pupils, moved along rays to z = 0",
            )
        )
        pairs = survey_overlap(eye.seam, study.pupils_mm) if eye.has_seam else ()
        if pairs:
            least = min(pairs, key=lambda one: one.least_deg)
            pupil = ", ".join(f"{one:g}" for one in least.pupil_mm)
            rows.append(
                Row(
                    "overlap_least_deg",
                    "overlap of channels where it is narrowest, from any pupil position",
                    f"{study.label}, {least.channels[0]} and {least.channels[1]}",
                    least.least_deg,
                    "deg",
                    note=f"pupil ({pupil}) mm; below 0 is a gap; the feather is "
                    f"{eye.seam.feather_deg:.2f} deg",
                    source="survey along the line that joins the channels",
                )
            )
    rows.append(
        Row(
            "eye_relief_mm",
            "eye relief",
            needs="a mechanical measurement from the last optical surface to the eye-box centre",
            source="ISO 9241-305 and IDMS, from memory",
        )
    )
    return Section("eye_box", "Eye box", tuple(rows))


def distortion_section(display: Display, /) -> Section:
    """Return the chapter of distortion, before correction and of the correction itself."""
    rows: list[Row] = []
    limits = display.module.limits
    for study in display.studies:
        for name in study.eye.channels:
            rows += _channel_rows(study, name, limits.place_px, limits.place_arcmin)
    return Section(
        "distortion",
        "Distortion and its uncertainty",
        tuple(rows),
        text=(
            "Error of place says how far the fitted map may be off, by noise of the capture and "
            "by what the chosen model leaves out. The independent check is a fresh capture that "
            "was not fitted: prewarp compare.",
        ),
    )


def _channel_rows(
    study: EyeStudy, channel: str, place_px: float | None, place_arcmin: float | None
) -> list[Row]:
    fields, of = study.eye.fields, f"{study.label}, {channel}"
    field = fields.field(channel, study.colour)
    rows = [_raw(study, field, of), _swim(study, field, of)]
    report = next((one for one in fields.reports if one.channel == channel), None)
    if report is not None:
        rows += [
            Row(
                "residual_rms_px",
                "residual of the captured samples, RMS",
                of,
                float(report.rms_px[0]),
                "px",
                note=f"{report.samples} samples, model {report.model}; noise and misfit together",
                source="least squares",
            ),
            Row(
                "held_out_rms_px",
                "residual at samples left out, RMS",
                of,
                float(report.rms_cv_px),
                "px",
                note="pupil positions or regions left out in turn; includes the noise of the samples",
                source="cross-validation",
            ),
            Row(
                "noise_px",
                "precision (noise) of a sample",
                of,
                float(report.sigma_px[0]),
                "px",
                note="found from neighbours",
                source="1-sigma per axis",
            ),
        ]
    sigma_px, sigma_arcmin = _place_sigma(study, field)
    needs = "a fit whose capture says how sure it is over the eye box"
    for unit, sigma, limit in (("px", sigma_px, place_px), ("arcmin", sigma_arcmin, place_arcmin)):
        rows.append(
            Row(
                f"place_error_{unit}",
                "error of place of the correction, expanded (k = 2), over 95 % of panel and eye box",
                of,
                None if sigma is None else COVERAGE * sigma,
                unit,
                limit=Limit(f"place_{unit}", limit),
                needs=needs,
                note="from noise and model; the figure is itself an uncertainty",
                source=_FIT,
            )
        )
    return rows


def panel_lattice(field: Field, /) -> FloatArray:
    """Return panel points (n, 2) over what was captured of a panel, px."""
    low, high = field.border_pixel.min(axis=0), field.border_pixel.max(axis=0)
    size = np.asarray(field.panel_size_px, dtype=float)
    low, high = np.maximum(low, 0.0), np.minimum(high, size)
    u, v = (np.linspace(low[axis], high[axis], _POINTS) for axis in (0, 1))
    points = lattice_points(u, v)
    return np.asarray(points[field.depth_px(points, pupil_mm=CENTRE_MM) >= -1e-6])


def _raw(study: EyeStudy, field: Field, of: str) -> Row:
    """Return how far directions depart from the affine map of panel points that fits them best."""
    pixel = panel_lattice(field)
    tangent = field.forward(pixel, pupil_mm=CENTRE_MM)
    good = np.isfinite(tangent).all(axis=1)
    pixel, tangent = pixel[good], tangent[good]
    columns = np.column_stack([np.ones(len(pixel)), pixel])
    affine = columns @ np.linalg.lstsq(columns, tangent, rcond=None)[0]
    apart = arcmin_between(affine, tangent)
    worst = int(np.argmax(apart))
    return Row(
        "raw_distortion_arcmin",
        "distortion before correction, largest departure from the best affine map",
        of,
        float(apart[worst]),
        "arcmin",
        known_sigma(place_sigma_arcmin(study, field, pixel[worst], CENTRE_MM)),
        note="pupil centred, reference colour",
        source="least squares in tangents; derived here",
    )


def _swim(study: EyeStudy, field: Field, of: str) -> Row:
    """Return how far the channel's picture moves with the pupil while the correction stays."""
    if study.lacking is not None:
        return Row("swim_arcmin", _SWIM, of, needs=study.lacking.needs)
    pixel = panel_lattice(field)
    start = field.forward(pixel, pupil_mm=CENTRE_MM)
    pupils = study.pupils_mm
    moved = np.stack([arcmin_between(start, field.forward(pixel, pupil_mm=pupil)) for pupil in pupils])
    pupil, place = np.unravel_index(int(np.nanargmax(moved)), moved.shape)
    sigma = [place_sigma_arcmin(study, field, pixel[place], one) for one in (CENTRE_MM, pupils[pupil])]
    return Row(
        "swim_arcmin",
        _SWIM,
        of,
        float(moved[pupil, place]),
        "arcmin",
        known_sigma(np.hypot(*sigma)),
        note="worst corner of the eye box; includes the parallax of an image that is not at infinity",
        source="f(f^-1(t, 0), e) - t",
    )


_SWIM = "pupil swim: largest move of the picture with the pupil, correction fixed"


def place_sigma_arcmin(
    study: EyeStudy, field: Field, pixel: FloatArray, pupil_mm: FloatArray, /
) -> FloatArray:
    """Return the 1-sigma of direction (...) at panel points (..., 2) px from pupils (..., 3) mm, arcmin."""
    sigma = prediction_sigma(study.eye.fields, field.channel, field.colour, pixel, pupil_mm=pupil_mm)
    here = field.forward(pixel, pupil_mm=pupil_mm)
    step = [
        arcmin_between(here, field.forward(pixel + np.array(one), pupil_mm=pupil_mm))
        for one in ((1.0, 0.0), (0.0, 1.0))
    ]
    return np.asarray(sigma * np.maximum(*step))


def known_sigma(sigma: FloatArray, /) -> float | None:
    """Return a 1-sigma, None where it is not a number."""
    return float(sigma) if np.isfinite(sigma) else None


def _place_sigma(study: EyeStudy, field: Field) -> tuple[float | None, float | None]:
    """Return the 1-sigma of place, px and arcmin, over 95 % of the panel and the eye box."""
    if study.uncaptured is not None:
        return None, None
    pixel, pupils = panel_lattice(field), study.pupils_mm[:, None]
    found = (
        prediction_sigma(study.eye.fields, field.channel, field.colour, pixel, pupil_mm=pupils),
        place_sigma_arcmin(study, field, np.broadcast_to(pixel, (len(pupils), *pixel.shape)), pupils),
    )
    known = [one[np.isfinite(one)] for one in found]
    # Mostly unknown is unknown: the 95 % would be of what is left.
    if min(len(known[0]) / found[0].size, len(known[1]) / found[1].size) < 0.5:
        return None, None
    px, arcmin = (float(np.quantile(one, 0.95)) for one in known)
    return px, arcmin
