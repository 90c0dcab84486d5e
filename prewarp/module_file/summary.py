"""What a module file holds, in a few lines, and what in it does not go together."""

import itertools
from dataclasses import dataclass

import numpy as np

from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.module import Channel, DisplayModule, Reach


@dataclass(frozen=True)
class ModuleSummary:
    """A module's figures: field of the content, fineness, what neighbours share by nominal reach."""

    module: DisplayModule
    content_half_deg: tuple[float, float]
    content_px_per_deg: float
    panel_px_per_deg: dict[str, float]
    overlaps: tuple[tuple[str, str, float, float], ...]
    remarks: tuple[str, ...]

    @property
    def rows(self) -> list[tuple[str, ...]]:
        """A row for each channel: name, eye, panel, encoding, reach along x and y, px per degree, scan."""
        return [
            (
                one.name,
                one.eye,
                f"{one.panel.width_px} x {one.panel.height_px}",
                f"{one.panel.encoding}, {one.panel.bit_depth} bit"
                + (", mirrored" if one.panel.mirrored else ""),
                _range(one.reach.dir_x_deg),
                _range(one.reach.dir_y_deg),
                f"{self.panel_px_per_deg[one.name]:.1f}",
                one.panel.scan.direction if one.panel.scan else "not known",
            )
            for one in self.module.channels
        ]

    def lines(self) -> list[str]:
        """Return what is said beside the table of channels."""
        module, (x, y) = self.module, self.content_half_deg
        box = " x ".join(f"{2.0 * half:g}" for half in module.eye_box.half_mm)
        width, height = module.content.size_px
        colours = ", ".join(f"{one.name} {one.wavelength_nm:g} nm" for one in module.colours)
        shared = [f"overlap of {a} and {b}: {w:.1f} x {h:.1f} degrees" for a, b, w, h in self.overlaps]
        return [
            f"eyes: {', '.join(module.eyes)}; eye box {box} mm; colours {colours}",
            f"content: {module.content.projection}, {width} x {height} px, {2 * x:.1f} x {2 * y:.1f} "
            f"degrees, {self.content_px_per_deg:.1f} px per degree at its middle",
            *shared,
            *(f"remark: {remark}" for remark in self.remarks),
        ]

    def as_dict(self) -> dict[str, object]:
        """Return the figures for JSON."""
        module = self.module
        return {
            "name": module.name,
            "eyes": list(module.eyes),
            "colors": {one.name: one.wavelength_nm for one in module.colours},
            "eye_box_half_mm": module.eye_box.half_mm.tolist(),
            "content": {
                "projection": module.content.projection,
                "size_px": list(module.content.size_px),
                "half_field_deg": list(self.content_half_deg),
                "px_per_deg": self.content_px_per_deg,
            },
            "channels": [
                {
                    "name": one.name,
                    "eye": one.eye,
                    "panel_size_px": list(one.panel.size_px),
                    "mirrored": one.panel.mirrored,
                    "scan": one.panel.scan.direction if one.panel.scan else None,
                    "dir_x_deg": list(one.reach.dir_x_deg),
                    "dir_y_deg": list(one.reach.dir_y_deg),
                    "px_per_deg": self.panel_px_per_deg[one.name],
                }
                for one in module.channels
            ],
            "overlaps": [{"channels": [a, b], "size_deg": [w, h]} for a, b, w, h in self.overlaps],
            "remarks": list(self.remarks),
        }


def summarise(module: DisplayModule, /) -> ModuleSummary:
    """Return what a module holds.

    Notes
    -----
    All by nominal reach: px per degree is the panel's width or height by that of the reach, the smaller of
    both; overlaps are those of the rectangles of directions, before anything is measured.
    """
    content = module.content
    half = np.array(content.size_px) / 2.0 / content.focal_px
    degrees = degrees_from_tangent(half) if content.projection == "flat" else np.degrees(half)
    fineness = {one.name: _px_per_degree(one) for one in module.channels}
    overlaps, remarks = [], []
    for eye in module.eyes:
        channels = module.channels_of(eye)
        for a, b in itertools.combinations(channels, 2):
            shared = _shared(a.reach, b.reach)
            if shared is not None:
                overlaps.append((a.name, b.name, *shared))
        if len(channels) > 1 and not any({a, b} & {one.name for one in channels} for a, b, *_ in overlaps):
            remarks.append(
                f"{eye} eye: no two channels overlap by nominal reach; there is a gap between them."
            )
    remarks += [
        f"the content picture does not cover the whole reach of {one.name}; make field_x_deg "
        "or height_px larger."
        for one in module.channels
        if not _held(module, one.reach)
    ]
    if any(one.panel.scan is None for one in module.channels):
        remarks.append("when lines are lit is not known: needs [channel.NAME.panel.scan].")
    return ModuleSummary(
        module,
        (float(degrees[0]), float(degrees[1])),
        float(np.radians(content.focal_px)),
        fineness,
        tuple(overlaps),
        tuple(remarks),
    )


def _px_per_degree(channel: Channel) -> float:
    spans = (np.ptp(channel.reach.dir_x_deg), np.ptp(channel.reach.dir_y_deg))
    return float(min(size / span for size, span in zip(channel.panel.size_px, spans, strict=True)))


def _shared(a: Reach, b: Reach) -> tuple[float, float] | None:
    """Return width and height of what two reaches share, degrees; None where that is nothing."""
    width, height = (
        min(one[1], other[1]) - max(one[0], other[0])
        for one, other in ((a.dir_x_deg, b.dir_x_deg), (a.dir_y_deg, b.dir_y_deg))
    )
    return (width, height) if width > 0.0 and height > 0.0 else None


def _held(module: DisplayModule, reach: Reach) -> bool:
    corners = np.array([(x, y) for x in reach.dir_x_deg for y in reach.dir_y_deg])
    pixel = module.content.pixel_from_tangent(tangent_from_degrees(corners))
    return bool(np.all((pixel >= 0.0) & (pixel <= np.array(module.content.size_px))))


def _range(ends: tuple[float, float]) -> str:
    return f"{ends[0]:g} to {ends[1]:g}"
