"""One eye of a display, put together in one place: its channels' fields, seam, panels, eye box, content, and
its light.

Everything that draws, measures or exports takes an `Eye`; nothing else joins channels or matches their light.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, nearest_name
from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import ModuleError
from prewarp.field import FieldSet
from prewarp.grids import Grid
from prewarp.head import HeadTurn
from prewarp.module import Channel, DisplayModule, EyeBox
from prewarp.photometry import LightMatch, fit_luminance, lit_fields, match_light, narrowed_fields
from prewarp.scan import PanelScan
from prewarp.seam import BlendPolicy, Overlap, Seam, blend_policy, build_seam, channel_lights, overlaps
from prewarp.seam.overlap import OVERLAP_STEP_DEG

# Content of a fit without a module: as fine as this at the middle, over what the channels show.
_CONTENT_PX_PER_DEG = 40.0
# Nodes of a panel, each way, at which its brightest place is looked for.
_NODES = 17
# Pupil positions, per axis of the eye box, from which a channel must be lit and may not be driven above 1.
_LIT_FROM = (3, 3, 1)


@dataclass(frozen=True)
class PanelDrive:
    """What a panel does with codes: its width and height, how codes become light, bits per code, and when its
    lines are lit, where that is known.
    """

    size_px: tuple[int, int]
    transfer: TransferFunction = TransferFunction()
    bit_depth: int = 8
    scan: PanelScan | None = None


@dataclass(frozen=True, eq=False, repr=False)
class Eye:
    """One eye of a display: made by `assemble_eye` from a module and a fit, or by `eye_of_fit` from a fit
    alone.

    Parameters
    ----------
    name : str
        For people: module name and eye.
    side : str or None
        "left" or "right"; None without a module.
    channels : tuple of str
        The channels of this eye.
    fields : FieldSet
        The fit; where luminance is known, with the edges of the light of this eye's channels in it.
    panels : mapping of str to PanelDrive
        By channel.
    eye_box : EyeBox
        Nominal: where pupils are meant to be. Without a module, what was captured.
    content : ContentProjection
        How content pictures lie on directions.
    match : LightMatch or None
        What the channels give, and their gains and white; None where no luminance is known.
    known_seam : Seam or None
        The seam where it is made already; otherwise `seam` makes it when it is first asked for.
    claiming : FieldSet or None
        The fit with borders within which light is handed over; None: those of `fields`.
    feather_deg : float or None
        Width of the hand-over, degrees; None: the widest that fits.
    edge_deg : float
        Width over which light fades towards the rim of what is lit, degrees.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> eye = prewarp.assemble_eye(fields, module)
    >>> eye.channels, eye.side
    (('inner', 'outer'), 'right')
    >>> figure = eye.seam.plot()
    """

    name: str
    side: str | None
    channels: tuple[str, ...]
    fields: FieldSet
    panels: Mapping[str, PanelDrive]
    eye_box: EyeBox
    content: ContentProjection
    match: LightMatch | None = None
    known_seam: Seam | None = None
    claiming: FieldSet | None = None
    feather_deg: float | None = None
    edge_deg: float = 0.0

    def __repr__(self) -> str:
        half = " x ".join(f"{2.0 * length:g}" for length in self.eye_box.half_mm)
        light = (
            "luminance not known" if self.match is None else f"match keeps {self.match.kept_percent:.1f} %"
        )
        joined = "to be joined" if self.has_seam else "one channel, no seam"
        if self.has_seam and (seam := self.__dict__.get("seam", self.known_seam)) is not None:
            joined = f"feather {seam.feather_deg:.2f} deg"
        return (
            f"<Eye {self.name}: {', '.join(self.channels)}; {' '.join(self.fields.colours)}; {joined}; "
            f"eye box {half} mm; {light}>"
        )

    @property
    def has_seam(self) -> bool:
        """Whether there are two channels or more to join."""
        return len(self.channels) > 1

    @cached_property
    def seam(self) -> Seam:
        """Blend weights fixed in direction over the eye box; 1 with one channel. Where channels leave a gap
        there is a hole (`prewarp.seam.gaps`). `SeamError` where there is no room for the feather.
        """
        return self.known_seam or self._joined(self.eye_box.corners)

    def _joined(self, pupils_mm: FloatArray) -> Seam:
        return build_seam(
            self.claiming or self.fields,
            pupils_mm=pupils_mm,
            channels=self.channels,
            feather_deg=self.feather_deg,
            edge_deg=self.edge_deg,
            lights=channel_lights(self.fields, self.channels),
        )

    def joined_over(self, pupils_mm: ArrayLike, /) -> "Eye":
        """Return this eye with its seam made for pupil positions (n, 3), mm, in place of the eye box."""
        return replace(self, known_seam=self._joined(as_pupil(pupils_mm).reshape(-1, 3)))

    @property
    def captured_box_mm(self) -> FloatArray:
        """Lowest and highest pupil position of the capture, (2, 3), mm."""
        return self.fields.pupil_box_mm

    @property
    def transfers(self) -> dict[str, TransferFunction]:
        """By channel: how its panel turns codes into light."""
        return {name: panel.transfer for name, panel in self.panels.items()}

    @property
    def bit_depths(self) -> dict[str, int]:
        """By channel: bits per code of its panel."""
        return {name: panel.bit_depth for name, panel in self.panels.items()}

    @property
    def scans(self) -> dict[str, PanelScan | None]:
        """By channel: when the lines of its panel are lit; None where the module does not say."""
        return {name: panel.scan for name, panel in self.panels.items()}

    @property
    def weights_for_ms(self) -> float | None:
        """One time for all panels, the mean of when their middles are lit, ms after the frame's start.

        None where a scan is not known.
        """
        known = [(panel.scan, panel.size_px) for panel in self.panels.values() if panel.scan is not None]
        if len(known) < len(self.panels):
            return None
        return float(np.mean([scan.middle_ms(size) for scan, size in known]))

    def head_turn(self, head: HeadTurn, /) -> HeadTurn:
        """Return a turn of the head with this eye's light shared out in the pose at `weights_for_ms`."""
        return replace(head, weights_for_ms=self.weights_for_ms)

    def require_match(self) -> LightMatch:
        """Return what the channels give and their match; `ModuleError` where no luminance is known."""
        if self.match is None:
            raise ModuleError(f"{self.name}: no luminance is known. Give a grid with the column 'luminance'.")
        return self.match

    def overlaps(self, *, step_deg: float = OVERLAP_STEP_DEG) -> tuple[Overlap, ...]:
        """Return the overlap of every two channels that have one, on a lattice of `step_deg`; none with one
        channel.
        """
        return overlaps(self.seam, step_deg=step_deg) if self.has_seam else ()

    def policy(self, kind: str, /, *, feather_deg: float | None = None) -> BlendPolicy:
        """Return a blend policy of these channels; see `prewarp.seam.blend_policy`."""
        own = self.claiming is None and self.known_seam is None
        if kind == "fixed" and own and feather_deg == self.feather_deg:
            return self.seam
        return blend_policy(
            kind,
            self.fields,
            pupils_mm=self.eye_box.corners,
            channels=self.channels,
            feather_deg=feather_deg,
            edge_deg=self.edge_deg,
        )

    def brightest(self, pupil_mm: ArrayLike, /) -> dict[str, float]:
        """Return the luminance of the brightest place of any panel, by colour, from a pupil position (3,),
        mm.

        Raises
        ------
        ModuleError
            No luminance is known.
        """
        maps = self.require_match().maps
        pupil = as_pupil(pupil_mm).reshape(3)
        highest = dict.fromkeys(self.fields.colours, 0.0)
        for channel in self.channels:
            for colour in highest:
                field = self.fields.field(channel, colour)
                u, v = (np.linspace(0.0, length, _NODES) for length in field.panel_size_px)
                tangent = np.nan_to_num(field.forward_lattice(u, v, pupil_mm=pupil))
                seen = maps.map(channel, colour).at(
                    np.stack(np.meshgrid(u, v), axis=-1), tangent, pupil_mm=pupil
                )
                highest[colour] = max(highest[colour], float(seen.max()))
        return highest


def assemble_eye(
    fields: FieldSet,
    module: DisplayModule,
    /,
    *,
    side: str | None = None,
    luminance: Grid | None = None,
    white: str = "none",
    fall_percent_per_deg: float = 0.0,
    feather_deg: float | None = None,
) -> Eye:
    """Put one eye together: check module and fit against each other, join the channels, match their light.

    Parameters
    ----------
    fields : FieldSet
        From `fit_grid`, or read by `FieldSet.load`.
    module : DisplayModule
        From `read_module`.
    side : str, optional
        "left" or "right"; must be given where the module has both.
    luminance : Grid, optional
        Captures with the column 'luminance': channels then show no more than is lit, and are matched.
    white, fall_percent_per_deg
        See `prewarp.photometry.match_light`.
    feather_deg : float, optional
        Width of the hand-over, degrees; the widest that fits if not given.

    Raises
    ------
    ModuleError
        The module has no such eye, or describes a channel, colour or panel size that the fit does not have.
    SeamError
        There is no room for the feather, or channels leave a gap that keeps their light from being matched.
    FitError
        The grid holds no luminance, or too little of it.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> eye = prewarp.assemble_eye(fields, module)
    >>> shares = eye.seam.weights([[-0.3, 0.0], [0.0, 0.0], [0.3, 0.0]])
    >>> shares.sum(axis=0).round(9).tolist()
    [1.0, 1.0, 1.0]
    """
    if side is None and len(module.eyes) > 1:
        raise ModuleError(f"{module.name} has channels for both eyes; name one: {' or '.join(module.eyes)}.")
    side = side or module.eyes[0]
    channels = module.channels_of(side)
    if not channels:
        raise ModuleError(
            f"{module.name}: no channel for the {side} eye; there is one for the "
            f"{' and the '.join(module.eyes)} eye."
        )
    _require_fit_of(fields, module, channels)
    box, names = module.eye_box, tuple(channel.name for channel in channels)
    maps = None
    if luminance is not None:
        maps = fit_luminance(luminance, panel_sizes_px={c.name: c.panel.size_px for c in channels})
        fields = lit_fields(fields, maps)
    panels = {
        c.name: PanelDrive(c.panel.size_px, c.panel.transfer, c.panel.bit_depth, c.panel.scan)
        for c in channels
    }
    eye = Eye(
        f"{module.name}, {side} eye",
        side,
        names,
        fields,
        panels,
        box,
        module.content,
        feather_deg=feather_deg,
        edge_deg=module.edge_deg,
    )
    if maps is None:
        return eye
    # Light is handed over within what is lit from the whole eye box.
    eye = replace(eye, claiming=narrowed_fields(fields, maps, pupils_mm=box.lattice(_LIT_FROM)))
    match = match_light(
        fields,
        maps,
        eye.seam,
        pupils_mm=np.vstack([box.lattice(_LIT_FROM), box.corners]),
        fall_percent_per_deg=fall_percent_per_deg,
        chromaticities={c.name: c.chromaticity for c in channels if c.chromaticity is not None},
        white=white,
    )
    return replace(eye, match=match, known_seam=eye.seam)


def assemble_eyes(
    fields: FieldSet,
    module: DisplayModule,
    /,
    *,
    side: str | None = None,
    luminance: Grid | None = None,
    white: str = "none",
    fall_percent_per_deg: float = 0.0,
    feather_deg: float | None = None,
) -> Iterator[Eye]:
    """Yield every eye of the module, or the one asked for, each put together when its turn comes; see
    `assemble_eye`.
    """
    for one in module.eyes if side is None else (side,):
        yield assemble_eye(
            fields,
            module,
            side=one,
            luminance=luminance,
            white=white,
            fall_percent_per_deg=fall_percent_per_deg,
            feather_deg=feather_deg,
        )


def eye_of_fit(fields: FieldSet, /) -> Eye:
    """Put an eye together from a fit alone: all channels are one eye's, panels sRGB with 8 bits, the eye box
    what was captured.

    The content covers what the channels show. For a look; panels and eye box of a device are in its module
    file.
    """
    names = tuple(fields.channels)
    half = np.abs(fields.pupil_box_mm).max(axis=0)
    box = EyeBox(*(float(length) for length in half))
    sizes = {name: fields.field(name, fields.colours[0]).panel_size_px for name in names}
    return Eye(
        "fit without a module",
        None,
        names,
        fields,
        {name: PanelDrive(size) for name, size in sizes.items()},
        box,
        _content_of(fields),
    )


def _require_fit_of(fields: FieldSet, module: DisplayModule, channels: tuple[Channel, ...]) -> None:
    """Raise unless the fit has the channels, colours and panel sizes that the module describes."""
    for channel in channels:
        if channel.name not in fields.channels:
            raise ModuleError(
                f"{module.name}: channel '{channel.name}' is not in the fit, which has "
                f"{', '.join(fields.channels)}."
                f"{nearest_name(channel.name, fields.channels)} Fit a grid of this module, or mend the name."
            )
        for colour in module.colour_names:
            if colour not in fields.colours:
                raise ModuleError(
                    f"{module.name}: colour '{colour}' is not in the fit, which has "
                    f"{', '.join(fields.colours)}."
                    f"{nearest_name(colour, fields.colours)} Capture it, or take it out of the module file."
                )
            fitted = tuple(fields.field(channel.name, colour).panel_size_px)
            if fitted != channel.panel.size_px:
                width, height = channel.panel.size_px
                raise ModuleError(
                    f"{module.name}: the panel of channel '{channel.name}' has {width} x {height} px; the "
                    "fit was made "
                    f"for {fitted[0]} x {fitted[1]} px. Fit the grid again with this module, or take the "
                    "module of the fit."
                )


def _content_of(fields: FieldSet) -> ContentProjection:
    """Return an equidistant content picture that covers what the channels show from the eye-box centre."""
    widest = np.zeros(2)
    for field in fields.fields.values():
        edge = np.array([0.0, 0.5, 1.0])
        u, v = (edge * length for length in field.panel_size_px)
        tangent = np.nan_to_num(field.forward_lattice(u, v, pupil_mm=np.zeros(3)))
        widest = np.maximum(widest, np.degrees(np.arctan(np.abs(tangent))).max(axis=(0, 1)))
    span = np.clip(2.0 * widest + 4.0, 4.0, 170.0)
    width, height = (int(length) for length in np.clip(np.ceil(span * _CONTENT_PX_PER_DEG), 64, 8192))
    return ContentProjection("equidistant", (width, height), float(width / _CONTENT_PX_PER_DEG))
