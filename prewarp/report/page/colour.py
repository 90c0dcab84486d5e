"""Chapter of colour registration: lateral colour before correction, and what is left of it."""

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field.field import Field
from prewarp.frames import arcmin_between
from prewarp.report.page.display import CENTRE_MM, Display, EyeStudy
from prewarp.report.page.geometry import known_sigma, panel_lattice, place_sigma_arcmin
from prewarp.report.page.tree import Row, Section
from prewarp.seam import seam_error


def colour_section(display: Display, /) -> Section:
    """Return the chapter of colour registration: lateral colour before correction, and what is left."""
    rows: list[Row] = []
    for study in display.studies:
        eye = study.eye
        others = eye.fields.colours[1:]
        if not others:
            rows.append(
                Row(
                    "lateral_color_arcmin",
                    "lateral colour",
                    study.label,
                    needs="a fit of two colours or more",
                )
            )
        for channel in eye.channels:
            reference = eye.fields.field(channel, study.colour)
            pixel = panel_lattice(reference)
            seen = reference.forward(pixel, pupil_mm=CENTRE_MM)
            for colour in others:
                field = eye.fields.field(channel, colour)
                of = f"{study.label}, {channel}, {colour} against {study.colour}"
                apart = arcmin_between(seen, field.forward(pixel, pupil_mm=CENTRE_MM))
                at = pixel[int(np.nanargmax(apart))]
                sigma = [place_sigma_arcmin(study, one, at, CENTRE_MM) for one in (reference, field)]
                rows.append(
                    Row(
                        "lateral_color_arcmin",
                        "lateral colour before correction, largest",
                        of,
                        float(np.nanmax(apart)),
                        "arcmin",
                        known_sigma(np.hypot(*sigma)),
                        note="one panel point, pupil centred",
                        source="angle between directions; IDMS calls it convergence, from memory",
                    )
                )
                rows.append(_colour_left(study, reference, field, seen, of))
    return Section(
        "color",
        "Colour registration",
        tuple(rows),
        text=(
            "At the tracked pupil the correction brings all colours to one direction, within its error of "
            "place.",
        ),
    )


def _colour_left(study: EyeStudy, reference: Field, field: Field, tangent: FloatArray, of: str) -> Row:
    name = "separation of colours after correction, largest over the eye box, correction fixed"
    if study.lacking is not None:
        return Row("color_apart_fixed_arcmin", name, of, needs=study.lacking.needs)
    tangent = tangent[np.isfinite(tangent).all(axis=1)]
    found = [
        seam_error(reference, field, tangent, pupil_mm=pupil, tracked_pupil_mm=CENTRE_MM).error_arcmin
        for pupil in study.pupils_mm
    ]
    return Row(
        "color_apart_fixed_arcmin",
        name,
        of,
        float(np.nanmax(found)),
        "arcmin",
        note="pupil at the worst corner, tracked at the centre",
        source="f_c(f_c^-1(t, 0), e)",
    )
