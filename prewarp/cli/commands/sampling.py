"""`prewarp sampling`."""

from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.cli.arguments import FILE, PupilPosition, module_option, picture_option, require_output_file
from prewarp.cli.displays import channels_in, extrapolate_option, read_display, within_capture
from prewarp.cli.talk import Talk, number, talking
from prewarp.eye import assemble_eyes
from prewarp.files import write_bytes
from prewarp.report.resampling import resampling_picture
from prewarp.resampling import (
    FILTERS,
    content_width_for,
    folded_contrast,
    kept_contrast,
    measured_contrast,
    sampling_map,
)
from prewarp.resampling.sampling_map import IDLE_BELOW, SKIPS_ABOVE


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@click.option("--pupil", type=PupilPosition(), default="0,0,0", show_default=True, help="Pupil position, mm.")
@picture_option("the sampling and the contrasts")
@extrapolate_option
@talking
def sampling(
    talk: Talk, fit_path: Path, module_path: Path, pupil: np.ndarray, picture: Path | None, extrapolate: bool
) -> None:
    """Say how finely the panels sample the content, and what contrast each filter keeps, so that you can
    choose content size and filter.

    Above 1 content px per panel px, content pixels are skipped, so that fine lines alias; below 1, the panel
    could show more than the content holds. Contrast is that of a grating at the panel's finest period
    (Nyquist): the mean over all positions of the grating relative to the pixels, and the worst of them.

    \b
    Example:
      prewarp sampling visor.fit.npz --module visor.toml --picture sampling.png
    """
    if picture is not None:
        require_output_file(picture, fit_path, module_path)
    fields, module = read_display(fit_path, module_path)
    extrapolated = within_capture(talk, fields, channels_in(fields, module), pupil, extrapolate=extrapolate)
    with talk.progress("measuring the sampling"):
        maps = [
            sampling_map(fields.field(channel, colour), eye.content, pupil_mm=pupil)
            for eye in assemble_eyes(fields, module)
            for channel in eye.channels
            for colour in fields.colours
        ]
        width = content_width_for(maps, module.content)
    figures = [m.as_dict() for m in maps]
    most = max(f["scale_most_content_px_per_panel_px"] for f in figures)
    scales = sorted({1.0, 2.0, round(max(most, 1.0), 2)})
    filters = [_filter(name, scale) for name in FILTERS for scale in scales]
    talk.table(
        f"Sampling of the content, {module.content.size_px[0]} x {module.content.size_px[1]} px",
        (
            "",
            "panel px/deg",
            "content px/deg",
            "content px per panel px",
            "content undersampled %",
            "panel finer %",
        ),
        [("", [_row(f) for f in figures])],
    )
    talk.table(
        f"Filters; this display goes up to {most:.3g} content px per panel px",
        (
            "",
            "content px per panel px",
            "kept, mean %",
            "kept, measured %",
            "kept, worst %",
            "aliasing %",
        ),
        [("", [_filter_row(f) for f in filters])],
    )
    talk.text(
        f"Content is called undersampled above {SKIPS_ABOVE:g} content px per panel px, the panel finer than "
        f"the content below {IDLE_BELOW:g}; percent of what is shown."
    )
    talk.text(f"Content at least {width} px wide has a pixel for every panel pixel everywhere.")
    if picture is not None:
        # One colour a channel: the others differ by a fraction of a per cent.
        colour = "G" if "G" in fields.colours else fields.colours[0]
        chosen = [m for m in maps if m.colour == colour]
        write_bytes(
            picture, resampling_picture(chosen, title=f"{module.name}: sampling of the content, {colour}")
        )
        talk.text(f"{picture}: written.")
    talk.json(
        {
            "pupil_mm": pupil.tolist(),
            "extrapolated": extrapolated,
            "not_known": [],
            "channels": figures,
            "filters": filters,
            "content_width_px": module.content.size_px[0],
            "content_width_for_every_panel_px": width,
        }
    )


def _filter(name: str, scale: float) -> dict[str, Any]:
    mean, worst = kept_contrast(name, scale)
    return {
        "filter": name,
        "scale_content_px_per_panel_px": scale,
        "kept_mean_percent": float(100.0 * mean),
        "kept_worst_percent": float(100.0 * worst),
        "kept_measured_percent": 100.0 * measured_contrast(name, scale)[0],
        "aliasing_percent": float(100.0 * folded_contrast(name, scale)),
    }


def _filter_row(figures: dict[str, Any]) -> tuple[str, ...]:
    keys = (
        "scale_content_px_per_panel_px",
        "kept_mean_percent",
        "kept_measured_percent",
        "kept_worst_percent",
        "aliasing_percent",
    )
    return (figures["filter"], *(number(figures[key], 3) for key in keys))


def _row(figures: dict[str, Any]) -> tuple[str, ...]:
    def span(kind: str, unit: str) -> str:
        low, high = figures[f"{kind}_least_{unit}"], figures[f"{kind}_most_{unit}"]
        return f"{number(low, 3)} to {number(high, 3)}"

    return (
        f"{figures['channel']} {figures['color']}",
        span("panel", "px_per_deg"),
        span("content", "px_per_deg"),
        span("scale", "content_px_per_panel_px"),
        number(figures["content_undersampled_percent"], 3),
        number(figures["panel_finer_percent"], 3),
    )
