"""Last chapters: how sure the fit is, provenance, cautions."""

from collections.abc import Mapping

import numpy as np

from prewarp import __version__
from prewarp.binocular import CAUTION
from prewarp.field import prediction_sigma
from prewarp.report.page.display import CENTRE_MM, Display
from prewarp.report.page.geometry import panel_lattice
from prewarp.report.page.tree import DataTable, Row, Section

CAUTIONS = (
    "Bright panels near the eye can hurt it. Luminance that is worn has limits for safety and comfort, which "
    "are not judged here: IEC 62471 and IEC 60825-1 name hazards of light sources and lasers (from memory). "
    "Follow local codes and licensed practice.",
    "Infrared light of eye trackers or illumination is not seen, and no blink protects from it: measure it "
    "before anybody looks.",
    "Pictures that flash, above all red ones or large ones, can trigger photosensitive epilepsy: no more "
    "than three flashes in a second (WCAG 2.3.1).",
    CAUTION,
    "A limit that is kept here is kept by these figures, for this capture and this eye box: it does not say "
    "that a display is safe, comfortable, or fit for a task.",
)
# What a fit remembers under these keys, for people.
_KEYS = {"grid_sha256": "grid, SHA-256", "panel_size_px": "panel size, px"}


def certainty_section(display: Display, /) -> Section:
    """Return the chapter of the 1-sigma map."""
    rows = []
    for study in display.studies:
        for name in study.eye.channels:
            field = display.fields.field(name, study.colour)
            sigma = prediction_sigma(
                display.fields, name, study.colour, panel_lattice(field), pupil_mm=CENTRE_MM
            )
            known = sigma[np.isfinite(sigma)]
            rows.append(
                Row(
                    "sigma_median_px",
                    "1-sigma of the fitted panel point, median over the panel",
                    f"{study.label}, {name}",
                    float(np.median(known)) if known.size else None,
                    "px",
                    needs="a fit whose capture says how sure it is",
                    note=f"largest {known.max():.2g} px; pupil centred" if known.size else "",
                    source="covariance of the fit, and what the simpler model left out",
                )
            )
    return Section("certainty", "How sure the fit is", tuple(rows))


def provenance_section(display: Display, /) -> Section:
    """Return the chapter of what the report was made from."""
    rows = [(f"{what}", name, sha256) for what, name, sha256 in display.files]
    rows += [
        ("fit", _KEYS.get(key, key.replace("_", " ")), _in_words(value))
        for key, value in sorted(display.fields.provenance.items())
    ]
    rows.append(("report", "prewarp", __version__))
    text = ["This file holds no time of day: the same input gives the same bytes."]
    text += display.extrapolated
    head = ("of", "what", "value")
    return Section(
        "provenance",
        "Provenance",
        tables=(DataTable("Files (SHA-256), fit and version", head, tuple(rows)),),
        text=tuple(text),
    )


def _in_words(value: object) -> str:
    """Return a value of the provenance for people: no brackets, no quotes."""
    if isinstance(value, Mapping):
        return "; ".join(f"{name}: {_in_words(part)}" for name, part in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_in_words(part) for part in value)
    return f"{value}"


def cautions_section() -> Section:
    """Return the chapter of cautions."""
    return Section("cautions", "Cautions", text=CAUTIONS)
