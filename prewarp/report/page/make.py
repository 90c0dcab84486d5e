"""`display_report`: all chapters of one display, in the order of SAE ARP5287 (from memory), then the rest."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from prewarp.report.page import geometry, light, motion, record, seam
from prewarp.report.page.colour import colour_section
from prewarp.report.page.device import package_section
from prewarp.report.page.display import Display
from prewarp.report.page.figures import figures
from prewarp.report.page.perception import perception_section
from prewarp.report.page.tree import DisplayReport, FigureItem, Section
from prewarp.resampling.sampling_map import SamplingMap


def display_report(
    display: Display, /, *, drawn: bool = True, progress: Callable[[str], None] = lambda text: None
) -> DisplayReport:
    """Return the report of a display, with figures where `drawn`; `progress` is told what is worked on.

    Raises
    ------
    SeamError
        There is no room for the feather between two channels.
    """
    progress("field of view, eye box, distortion")
    first = [
        geometry.field_of_view_section(display),
        geometry.eye_box_section(display),
        geometry.distortion_section(display),
    ]
    progress("seam error, tracker budget")
    first += [
        seam.seam_section(display),
        seam.binocular_section(display),
        colour_section(display),
    ]
    progress("luminance")
    seen = light.looked_at(display)
    first += [
        light.luminance_section(display, seen),
        light.ghost_section(display),
        light.transmittance_section(display),
        motion.focus_section(display),
    ]
    progress("time and sampling")
    maps = motion.sampling_maps(display)
    rows = [row for section in first for row in section.rows]
    last = [
        perception_section(display, rows),
        motion.tracker_section(display),
        motion.scan_section(display),
        motion.sampling_section(display, maps),
        package_section(display),
        record.certainty_section(display),
        record.provenance_section(display),
        record.cautions_section(),
    ]
    sections = (*first, *last)
    if drawn:
        progress("figures")
        sections = _with_figures(sections, display, seen, maps)
    return DisplayReport(display.name, sections)


def _with_figures(
    sections: Sequence[Section], display: Display, seen: light.Seen, maps: list[SamplingMap]
) -> tuple[Section, ...]:
    drawn: dict[str, list[FigureItem]] = {}
    for chapter, item in figures(display, seen, maps):
        drawn.setdefault(chapter, []).append(item)
    return tuple(replace(one, figures=tuple(drawn.get(one.key, ()))) for one in sections)
