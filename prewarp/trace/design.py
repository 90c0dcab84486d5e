"""The design file: the optics of each channel of a module, as a lens designer writes them down.

TOML; see `calib/` for two whole ones::

    name = "pilot visor, coaxial"
    [channel.inner]
    turn_deg = [0.0, -16.0, 0.0]      # of the whole channel about the eye-box centre
    emission_power = 2.0              # panel emits as cos(angle to its normal) ** 2 (0: alike)
    relative_luminance = {R = 1.0, G = 0.9}   # of the white panel; colours left out are 1
    [[channel.inner.surface]]         # from the eye to the panel
    label = "front"
    gap_mm = 24.0
    radius_mm = 60.0                  # leave out for a plane; positive: centre of curvature toward +z
    conic = -1.0
    aspheric = [1e-6]                 # of r^4, r^6, ... in mm^-3, mm^-5, ...
    glass = "517642"                  # medium behind the surface; left out: air; or index = 1.5
    semi_aperture_mm = 20.0           # circle about the vertex; left out: no limit
    index_offset = 2e-4               # added to the index of glass: that of a melt
    figure_um = [0.0, 0.0, 0.0, 0.05] # departure as Zernike terms over the semi-aperture (`figure`)
    tolerance = { decentre_mm = 0.03, index = 5e-4 }    # 1-sigma of keys (`tolerance`)
    [[channel.inner.surface]]
    reflect = true                    # a mirror; the medium stays
    decentre_mm = [0.0, 1.0]
    tilt_deg = [30.0, 0.0, 0.0]
    axis_follows_reflection = true
    [channel.inner.panel]
    gap_mm = -20.0                    # decentre_mm, tilt_deg as above
    flip_u = false                    # flip_v

Placing. A running frame starts at the eye-box centre with the eye's axes (+x right, +y up, +z forward),
turned by `turn_deg`. Every entry first moves it by `gap_mm` along its z. The surface then sits in that frame,
its vertex moved by `decentre_mm` (x, y) and its axes turned by `tilt_deg`. The surface alone is tilted, the
frame goes on undisturbed, except where `axis_follows_reflection = true`: there the axis follows the reflected
ray, so the frame stays at the moved vertex and turns by the tilt twice. After an odd number of mirrors light
runs toward -z: gaps are negative there, as is usual. `turn_deg` and `tilt_deg` are [about x, about y, about
z], applied in that order, each about the axis as already turned; about x turns +y toward +z (the axis z then
points down), about y turns +z toward +x (to the right), about z turns +x toward +y.

Panel. With no flips, u runs along the panel's own +x and v along its own -y; the centre of the active area is
at the frame's origin. Size and pitch come from the module description.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np

from prewarp.checks import FloatArray, nearest_name
from prewarp.errors import TraceError
from prewarp.module import MAX_CHANNELS, MAX_COLOURS
from prewarp.records import (
    Dataclass,
    Flag,
    Name,
    Number,
    Numbers,
    Table,
    Text,
    checked,
    part,
    read_toml,
    ruled_fields,
    validate,
)
from prewarp.trace.figure import MAX_TERMS
from prewarp.trace.glass import AIR, index_from_wavelength, require_glass
from prewarp.trace.surfaces import Shape
from prewarp.trace.tolerance import (
    ChannelTolerance,
    PanelTolerance,
    SurfaceTolerance,
)

MAX_SURFACES = 100
_LENGTH = Number(-1e4, 1e4, "mm")
_TURN = Numbers(Number(-180.0, 180.0, "degrees"), 3, 3)
_SHIFT = Numbers(_LENGTH, 2, 2)
_NONE = (0.0, 0.0, 0.0)
_Tolerance = TypeVar("_Tolerance", SurfaceTolerance, PanelTolerance, ChannelTolerance)


@dataclass(frozen=True)
class Surface:
    """One refracting or reflecting surface; entries as in the module docstring."""

    label: str = checked(Text(60), default="surface")
    gap_mm: float = checked(_LENGTH, default=0.0)
    radius_mm: float | None = checked(Number(-1e9, 1e9, "mm, not 0"), default=None)
    conic: float = checked(Number(-1e4, 1e4), default=0.0)
    aspheric: tuple[float, ...] = checked(Numbers(Number(-1e3, 1e3), 0, 10), default=())
    glass: str = checked(Text(40), default=AIR)
    index: float | None = checked(Number(1.0, 5.0), default=None)
    reflect: bool = checked(Flag(), default=False)
    semi_aperture_mm: float | None = checked(Number(1e-3, 1e4, "mm"), default=None)
    decentre_mm: tuple[float, float] = checked(_SHIFT, default=(0.0, 0.0))
    tilt_deg: tuple[float, float, float] = checked(_TURN, default=_NONE)
    axis_follows_reflection: bool = checked(Flag(), default=False)
    index_offset: float = checked(Number(-1.0, 1.0), default=0.0)
    figure_um: tuple[float, ...] = checked(Numbers(Number(-1e3, 1e3, "um"), 0, MAX_TERMS), default=())
    tolerance: SurfaceTolerance = SurfaceTolerance()

    def __post_init__(self) -> None:
        validate(self, TraceError)
        require_glass(self.glass)
        if self.radius_mm == 0.0:
            raise TraceError("radius_mm is 0; expected any other number of mm, or none for a plane.")
        if self.index is not None and self.glass != AIR:
            raise TraceError("index and glass are both given; expected one of them.")
        if self.reflect and (self.index is not None or self.glass != AIR):
            raise TraceError("glass or index stands at a mirror, which changes no medium. Delete it.")
        if self.is_air and (self.index_offset != 0.0 or self.tolerance.index):
            raise TraceError("index_offset or its tolerance stands where no glass follows. Delete it.")
        if self.semi_aperture_mm is None and (any(self.figure_um) or self.tolerance.figure_um):
            raise TraceError(
                "figure_um or its tolerance is given without semi_aperture_mm, over which it is."
            )
        if self.radius_mm is None and self.tolerance.radius_mm:
            raise TraceError("a tolerance of radius_mm is given at a plane. Delete it.")
        if self.axis_follows_reflection and not self.reflect:
            raise TraceError(
                "axis_follows_reflection is given at a refracting surface; expected it at a mirror only."
            )

    @property
    def shape(self) -> Shape:
        """The shape in the surface's own frame."""
        curvature = 0.0 if self.radius_mm is None else 1.0 / self.radius_mm
        if not any(self.figure_um):
            return Shape(curvature, self.conic, self.aspheric)
        figure = tuple(1e-3 * amount for amount in self.figure_um)
        return Shape(curvature, self.conic, self.aspheric, figure, self.semi_aperture_mm or 1.0)

    @property
    def is_air(self) -> bool:
        """Whether no glass follows the surface."""
        return self.reflect or (self.index is None and self.glass == AIR)

    def index_behind(self, wavelength_nm: float, /) -> float:
        """Return the refractive index behind a refracting surface."""
        nominal = self.index if self.index is not None else index_from_wavelength(self.glass, wavelength_nm)
        return nominal + self.index_offset


@dataclass(frozen=True)
class PanelPlace:
    """Where the panel sits and how its pixels are counted; entries as in the module docstring."""

    gap_mm: float = checked(_LENGTH, default=0.0)
    decentre_mm: tuple[float, float] = checked(_SHIFT, default=(0.0, 0.0))
    tilt_deg: tuple[float, float, float] = checked(_TURN, default=_NONE)
    flip_u: bool = checked(Flag(), default=False)
    flip_v: bool = checked(Flag(), default=False)
    tolerance: PanelTolerance = PanelTolerance()

    def __post_init__(self) -> None:
        validate(self, TraceError)


@dataclass(frozen=True)
class DesignChannel:
    """The optics of one channel, eye to panel."""

    name: str = checked(Name())
    surfaces: tuple[Surface, ...] = part()
    panel: PanelPlace = part()
    turn_deg: tuple[float, float, float] = checked(_TURN, default=_NONE)
    emission_power: float = checked(Number(0.0, 20.0), default=0.0)
    relative_luminance: tuple[tuple[str, float], ...] = ()
    tolerance: ChannelTolerance = ChannelTolerance()

    def __post_init__(self) -> None:
        validate(self, TraceError)

    def places(self) -> list[tuple[FloatArray, FloatArray]]:
        """Return (vertex (3,) mm, axes (3, 3) as columns) of surfaces and, last, panel, in the eye frame."""
        origin, axes = np.zeros(3), rotation_from_degrees(self.turn_deg)
        found = []
        elements: tuple[Surface | PanelPlace, ...] = (*self.surfaces, self.panel)
        for element in elements:
            origin = origin + axes[:, 2] * element.gap_mm
            vertex = origin + axes[:, :2] @ np.asarray(element.decentre_mm)
            turn = rotation_from_degrees(element.tilt_deg)
            found.append((vertex, axes @ turn))
            if isinstance(element, Surface) and element.axis_follows_reflection:
                origin, axes = vertex, axes @ turn @ turn
        return found

    def relative_luminance_of(self, colour: str, /) -> float:
        """Return the relative luminance of the white panel in a colour; 1 where none is stated."""
        return dict(self.relative_luminance).get(colour, 1.0)


@dataclass(frozen=True)
class Design:
    """The optics of a display module."""

    name: str = checked(Text(100))
    channels: tuple[DesignChannel, ...] = part()

    def __post_init__(self) -> None:
        validate(self, TraceError)

    def channel(self, name: str, /) -> DesignChannel:
        """Return the channel called `name`; `TraceError` with the nearest name where there is none."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        names = [channel.name for channel in self.channels]
        raise TraceError(
            f"design '{self.name}' has no channel {name!r}; it has {', '.join(names)}."
            f"{nearest_name(name, names)}",
            channel=name,
        )


def rotation_from_degrees(degrees: tuple[float, float, float], /) -> FloatArray:
    """Return the matrix (3, 3) that turns about x, the new y, then the new z; columns are turned axes."""
    (cx, cy, cz), (sx, sy, sz) = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cx, -sx], [0.0, sx, cx]])
    about_y = np.array([[cy, 0.0, sy], [0.0, 1.0, 0.0], [-sy, 0.0, cy]])
    about_z = np.array([[cz, -sz, 0.0], [sz, cz, 0.0], [0.0, 0.0, 1.0]])
    result: FloatArray = about_x @ about_y @ about_z
    return result


def read_design(path: Path | str, /) -> Design:
    """Read and check a design file.

    Raises
    ------
    InputFileError
        The file is missing, larger than 1 MiB or not UTF-8.
    TraceError
        Its content is wrong; the message names file, full key and what is accepted.
    """
    return _design(read_toml(Path(path), what="an optical design (TOML)", error=TraceError))


def design_entries(design: Design, /) -> dict[str, object]:
    """Return a design as the entries of its file, those that differ from their defaults."""
    channels = {}
    for channel in design.channels:
        own = _entries(channel)
        del own["name"]
        if channel.relative_luminance:
            own["relative_luminance"] = dict(channel.relative_luminance)
        own["surface"] = [_entries(surface) for surface in channel.surfaces]
        own["panel"] = _entries(channel.panel)
        channels[channel.name] = own
    return {"name": design.name, "channel": channels}


def _entries(part: Surface | PanelPlace | DesignChannel) -> dict[str, object]:
    found = _apart_from_defaults(part)
    tolerance = _apart_from_defaults(part.tolerance)
    return {**found, "tolerance": tolerance} if tolerance else found


def _apart_from_defaults(record: Dataclass) -> dict[str, object]:
    values = ((name, getattr(record, name), default) for name, _, default in ruled_fields(type(record)))
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value, default in values
        if value != default
    }


def design_from_entries(entries: dict[str, object], /, *, path: str) -> Design:
    """Return the design of what `design_entries` gave; `path`, the file they are from, is for messages.

    Raises
    ------
    TraceError
        As `read_design`.
    """
    return _design(Table(entries, key="", path=path, error=TraceError))


def _design(top: Table) -> Design:
    tables = top.named_tables("channel", most=MAX_CHANNELS)
    return top.read(Design, channels=tuple(_channel(table, name) for name, table in tables.items()))


def _channel(table: Table, name: str) -> DesignChannel:
    surfaces = tuple(
        entry.read(Surface, tolerance=_tolerance(entry, SurfaceTolerance))
        for entry in table.listed_tables("surface", most=MAX_SURFACES)
    )
    panel = table.table("panel")
    return table.read(
        DesignChannel,
        name=table.checked_name(name),
        surfaces=surfaces,
        panel=panel.read(PanelPlace, tolerance=_tolerance(panel, PanelTolerance)),
        relative_luminance=_relative_luminance(table),
        tolerance=_tolerance(table, ChannelTolerance),
    )


def _tolerance(table: Table, kind: type[_Tolerance]) -> _Tolerance:
    return table.table("tolerance").read(kind) if "tolerance" in table.values else kind()


def _relative_luminance(table: Table) -> tuple[tuple[str, float], ...]:
    key = table.spelt("relative_luminance", "brightness")
    if key not in table.values:
        return ()
    entries = table.table(key)
    if len(entries.values) > MAX_COLOURS:
        raise entries.fail(f"holds {len(entries.values)} colours; expected at most {MAX_COLOURS}.")
    rule = Number(0.0, 1000.0)
    return tuple((name, entries.entry(name, rule)) for name in entries.values)
