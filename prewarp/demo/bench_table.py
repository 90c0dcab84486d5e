"""The bench's figures as lines of a table."""

from collections.abc import Mapping
from typing import Any

from prewarp.demo.table import Line, number

Figures = Mapping[str, Any]


def bench_lines(figures: Figures, /) -> list[tuple[str, list[Line]]]:
    """Return sections of lines: what is measured, and its value."""
    capture, extract, judged = figures["capture"], figures["extract"], figures["judged"]
    poses, fit, light = figures["poses"], figures["fit"], figures["light"]
    register = figures["register"]

    def spread(name: str) -> str:
        return " / ".join(number(judged[name][f"{one}_arcmin"]) for one in ("median", "p95", "max"))

    def both(state: str) -> str:
        return " / ".join(number(light[state][one]) for one in ("step_percent", "ripple_percent"))

    return [
        (
            "Photographs",
            [
                ("positions / photographs", f"{capture['positions']} / {capture['photographs']}"),
                ("dots shown / measured", f"{extract['dots_shown']} / {extract['rows']}"),
                ("median sigma of a dot, panel px", number(extract["sigma_px_median"])),
                (
                    "ghost found, median of dots, %",
                    number(extract["ghost"] and 100.0 * extract["ghost"]["strength_median"]),
                ),
            ],
        ),
        (
            "Fit",
            [
                (
                    "poses: stage put in / found, mm",
                    f"{capture['stage_mm']:g} / {number(poses['found_mm'])}",
                ),
                (
                    "poses: turns put in / found, arcmin",
                    f"{capture['turn_arcmin']:g} / {number(poses['found_arcmin'])}",
                ),
                ("noise / map error due to it, px", f"{number(fit['noise_px'])} / {number(fit['floor_px'])}"),
                (
                    "register: pairs / apart before / after, arcmin RMS",
                    f"{register['pairs']} / {number(register['mismatch_before_rms_arcmin'])} / "
                    f"{number(register['mismatch_after_rms_arcmin'])}",
                ),
            ],
        ),
        (
            "Difference from the trace, at pupil positions not photographed; arcmin (median / p95 / max)",
            [
                ("fit, common shift, turn and scale removed", spread("map")),
                ("fit as it is", spread("map_raw")),
                ("seam as the package draws it", spread("seam_of_package")),
            ],
        ),
        (
            "Light across the seam, pupil 3 mm to the right, tracked; percent",
            [(f"step / ripple {state} the match", both(state)) for state in ("before", "after")],
        ),
        (
            "Package",
            [
                (
                    "bytes / checks passed",
                    f"{figures['package']['bytes']} / {figures['package']['checks']}",
                ),
            ],
        ),
    ]
