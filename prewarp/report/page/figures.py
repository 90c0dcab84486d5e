"""Pictures of a report, by chapter: the figures that commands draw, as PNG, with what they show in words."""

import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from prewarp.report.budget import BudgetItem, budget_figure
from prewarp.report.certainty import certainty_figure
from prewarp.report.distortion import distortion_figure
from prewarp.report.focus import FocusItem, focus_figure
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_figure
from prewarp.report.page.display import Display, EyeStudy, pair_name
from prewarp.report.page.light import SeamSeen, Seen
from prewarp.report.page.tree import FigureItem
from prewarp.report.resampling import resampling_figure
from prewarp.report.seam_map import SeamMap, seam_figure, seam_map_figure
from prewarp.report.style import figure_bytes, in_palette
from prewarp.resampling.sampling_map import SamplingMap

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def drawn_item(key: str, drawn: "Figure", caption: str, alt: str, /) -> FigureItem:
    """Return a figure as an item of a section, in few colours: a page holds many."""
    png = in_palette(figure_bytes(drawn))
    width, height = struct.unpack(">II", png[16:24])
    return FigureItem(key, caption, alt, png, (width, height))


def figures(display: Display, seen: Seen, maps: list[SamplingMap], /) -> Iterator[tuple[str, FigureItem]]:
    """Yield chapter and picture, in the order of the chapters' work."""
    for study in display.studies:
        yield from _of_eye(study)
    for study, views in seen:
        if views:
            yield "luminance", _light(study, views)
    if maps:
        drawn = resampling_figure(maps)
        density = np.concatenate([one.panel_px_per_deg[one.shown].ravel() for one in maps])
        yield (
            "sampling",
            drawn_item(
                "sampling",
                drawn,
                "Angular pixel density, and content px per panel px, reference colour.",
                f"Maps over the field: angular pixel density, median {np.median(density):.3g} px per "
                "degree, and content pixels per panel pixel.",
            ),
        )
    if display.fields.reports:
        yield (
            "certainty",
            drawn_item(
                "certainty",
                certainty_figure(display.fields),
                "1-sigma of the fitted panel point, px, root mean square over pupil positions.",
                f"Map of the 1-sigma of place over each panel: {', '.join(display.fields.channels)}. "
                "Values stand in the table of this chapter.",
            ),
        )


def _of_eye(study: EyeStudy) -> Iterator[tuple[str, FigureItem]]:
    eye, label = study.eye, study.label
    if eye.has_seam:
        yield (
            "field_of_view",
            drawn_item(
                f"blend_{eye.side}",
                seam_figure(eye.seam),
                f"{label}: outlines are what a channel shows from the whole eye box; colour is the "
                "blend weight of the channel that gives more light.",
                f"Outlines of {len(eye.channels)} channels over horizontal and vertical field angle, and "
                f"the blend between them, {eye.seam.feather_deg:.3g} degrees wide.",
            ),
        )
    corner = study.pupils_mm[-1]
    yield (
        "distortion",
        drawn_item(
            f"distortion_{eye.side}",
            distortion_figure(eye.fields, eye.channels, pupil_mm=corner),
            f"{label}: evenly spaced lines of each panel as they are seen without correction; "
            "thin dark lines: as seen from a corner of the eye box.",
            f"Bent lattices of the panels of {', '.join(eye.channels)}, seen over horizontal and vertical "
            "field angle, pupil centred and at a corner of the eye box.",
        ),
    )
    if not eye.has_seam or study.lacking is not None or not study.overlaps:
        return
    items = [
        SeamMap(pair_name(pair.channels), eye.seam, pair.axes_deg, pair.spread_out(found.fixed_worst_arcmin))
        for pair, found in zip(study.overlaps, study.sensitivities, strict=True)
    ]
    largest = max(float(np.nanmax(one.fixed_worst_arcmin)) for one in study.sensitivities)
    yield (
        "seam",
        drawn_item(
            f"seam_{eye.side}",
            seam_map_figure(
                items, title="", error_label="seam error, worst corner, correction fixed, arcmin"
            ),
            f"{label}: seam error over the overlap, worst corner of the eye box, correction fixed.",
            f"Map of the seam error over the overlap; the largest is {largest:.3g} arcmin.",
        ),
    )
    focus = [FocusItem(label, eye.fields, eye.channels, study.overlaps)]
    yield (
        "focus",
        drawn_item(
            f"focus_{eye.side}",
            focus_figure(focus, title=""),
            f"{label}: image vergence over the field, and the focus step along the seam, with published "
            "depths of focus.",
            "Maps of image vergence of each channel, and a line of the focus step along the seam; figures "
            "stand in the table of this chapter.",
        ),
    )
    budgets = [
        BudgetItem(pair_name(pair.channels), one)
        for pair, one in zip(study.overlaps, study.budgets, strict=True)
    ]
    yield (
        "tracker",
        drawn_item(
            f"tracker_{eye.side}",
            budget_figure(budgets, title=""),
            f"{label}: left, latency and accuracy that keep the limit; right, how many time samples stay "
            "under a seam error.",
            "Curve of the accuracy allowed for each latency, and distributions of seam error with and "
            "without a "
            "tracker: " + "; ".join(f"{one.title}: {one.budget.verdict}" for one in budgets) + ".",
        ),
    )


def _light(study: EyeStudy, views: list[SeamSeen]) -> FigureItem:
    pairs = [
        ProfilePair(
            f"{one.view.worst}, {one.title}", one.view.before[one.view.worst], one.view.after[one.view.worst]
        )
        for one in views
    ]
    told = "; ".join(
        f"{pair.title}: {pair.before.expected_step_percent:.2g} % before, "
        f"{pair.after.expected_step_percent:.2g} % after"
        for pair in pairs
    )
    return drawn_item(
        f"luminance_{study.eye.side}",
        luminance_profile_figure(pairs),
        f"{study.label}: a uniform field along lines across the seam, before and after the match of the "
        f"channels.",
        f"Profiles of luminance across the seam. Step: {told}.",
    )
