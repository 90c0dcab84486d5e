"""The description of a display module: eyes, channels, panels, colours, eye box, content.

Read from a TOML file: `prewarp module --new` writes one, `prewarp.module_file` has the table of its keys,
`calib/` has two whole ones.

Holds what is known before any measurement; the optics themselves are a design file (`prewarp.trace`). Frames
and units: `prewarp.frames`.
"""

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np

from prewarp.checks import FloatArray, nearest_name, require_range
from prewarp.content import PROJECTIONS, ContentProjection
from prewarp.encoding import KINDS, TransferFunction
from prewarp.errors import ModuleError
from prewarp.limits import Limits, Measured
from prewarp.points import box_lattice
from prewarp.records import (
    Choice,
    Flag,
    Name,
    Number,
    Numbers,
    Problems,
    Table,
    Text,
    checked,
    part,
    read_toml,
    shown,
    validate,
)
from prewarp.scan import PanelScan

EYES = ("left", "right")
# Width of the soft rim of the field that a module file may ask for, degrees.
EDGE_RANGE_DEG = (0.0, 45.0)
MAX_CHANNELS = 16
MAX_COLOURS = 8
_ANGLE = Number(-85.0, 85.0, "degrees")
# CIE 1931 x, y: no light has y = 0, and x + y is at most 1.
_XY = Numbers(Number(1e-4, 0.9), 2, 2)
WHITE = "white"
# Three primaries whose triangle is smaller than this share of the unit square cannot be told apart by a
# camera.
_SMALLEST_TRIANGLE = 1e-3


@dataclass(frozen=True)
class Colour:
    """One colour of the panels; `wavelength_nm` is the centroid of its spectrum."""

    name: str = checked(Name())
    wavelength_nm: float = checked(Number(380.0, 780.0, "nm"), means="centroid of its spectrum")

    def __post_init__(self) -> None:
        validate(self, ModuleError)


@dataclass(frozen=True)
class Panel:
    """One panel: active area, encoding and bit depth.

    `encoding` is "srgb" (IEC 61966-2-1), "power" (linear light = code ** `gamma`) or "table": `table` holds
    the measured linear light at codes spread evenly from 0 to the highest, strictly increasing, ending at 1.
    `mirrored`: optics or mounting show the panel's picture as a mirror image, which the warp puts right.
    `scan`: when its lines are lit, where that is known.
    """

    width_px: int = checked(Number(16, 32768, "px", whole=True), means="active area, pixels along u")
    height_px: int = checked(Number(16, 32768, "px", whole=True), means="active area, pixels along v")
    pitch_um: float = checked(Number(0.5, 1000.0, "um"), means="distance from one pixel to the next")
    encoding: str = checked(
        Choice(KINDS), means="from code to light: sRGB (IEC 61966-2-1), code ** gamma, or measured"
    )
    bit_depth: int = checked(Number(6, 16, "bit", whole=True), means="bits of each colour's code")
    gamma: float | None = checked(
        Number(1.0, 4.0), default=None, means="exponent; with encoding 'power' only"
    )
    table: tuple[float, ...] | None = checked(
        Numbers(Number(0.0, 1.0), 2, 65536, increasing=True),
        default=None,
        means="with encoding 'table' only: linear light at evenly spaced codes; the last is 1",
    )
    mirrored: bool = checked(Flag(), default=False, means="the optics show the panel as a mirror image")
    scan: PanelScan | None = None

    def __post_init__(self) -> None:
        validate(self, ModuleError)
        if self.scan is not None:
            self.scan.require_for(self.size_px)
        for name, encoding in (("gamma", "power"), ("table", "table")):
            given, needed = getattr(self, name) is not None, self.encoding == encoding
            if given != needed:
                problem = "is missing; expected it" if needed else "is given; expected it only"
                raise ModuleError(f"{name} {problem} with encoding = '{encoding}'.", key=name)
        if self.table is not None and self.table[-1] != 1.0:
            raise ModuleError(
                f"table ends at {self.table[-1]:g}; expected 1 at the highest code.", key="table"
            )

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.width_px, self.height_px

    @cached_property
    def transfer(self) -> TransferFunction:
        """What the panel's codes mean in light."""
        return TransferFunction(self.encoding, gamma=self.gamma or 2.2, table=self.table or ())


@dataclass(frozen=True)
class Reach:
    """Nominal reach: directions that a channel is meant to show, degrees (atan of a tangent), eye frame."""

    dir_x_deg: tuple[float, float] = checked(
        Numbers(_ANGLE, 2, 2, increasing=True), means="directions it is meant to show: left end, right end"
    )
    dir_y_deg: tuple[float, float] = checked(
        Numbers(_ANGLE, 2, 2, increasing=True), means="the same: lower end, upper end"
    )

    def __post_init__(self) -> None:
        validate(self, ModuleError)


@dataclass(frozen=True)
class Chromaticity:
    """Measured chromaticities of a channel, CIE 1931 x, y (CIE 15), through the optics, mid-field.

    `primaries`: one (x, y) for each of three colours, shown alone; `white`: all three at full drive together.
    """

    primaries: Mapping[str, tuple[float, float]]
    white: tuple[float, float] = checked(_XY, means="CIE 1931 x, y of all three colours at full drive")

    def __post_init__(self) -> None:
        if len(self.primaries) != 3:
            raise ModuleError(
                f"chromaticity holds {len(self.primaries)} colours; expected 3 beside 'white'.",
                key="chromaticity",
            )
        validate(self, ModuleError)
        points = {}
        for name, value in (*self.primaries.items(), (WHITE, self.white)):
            accepted, reason = _XY.accept(value)
            if not reason and sum(accepted) > 1.0:
                reason = f" (x + y is {sum(accepted):.4g})"
            if reason:
                raise ModuleError(
                    f"{name} is {shown(value)}{reason}; expected CIE 1931 x, y with x + y at most 1.",
                    key=name,
                )
            points[name] = accepted
        white = points.pop(WHITE)
        object.__setattr__(self, "primaries", points)
        a, b, c = (np.array(point) for point in points.values())
        area = _twice_area(a, b, c)
        if abs(area) < _SMALLEST_TRIANGLE:
            raise ModuleError(
                f"{', '.join(points)} lie on one line, or nearly; expected three different colours. "
                "Measure them again.",
                key="chromaticity",
            )
        w = np.array(white)
        shares = np.array([_twice_area(w, b, c), _twice_area(a, w, c), _twice_area(a, b, w)]) / area
        if shares.min() <= 0.0:
            raise ModuleError(
                f"white is {shown(white)}, outside the triangle of {', '.join(points)}; expected a mixture "
                "of all three. Measure it again with all colours at full drive.",
                key=WHITE,
            )


def _twice_area(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


@dataclass(frozen=True)
class Channel:
    """One panel seen through its own optics; `chromaticity` where it was measured."""

    name: str = checked(Name())
    eye: str = checked(Choice(EYES), means="the eye that sees it")
    panel: Panel = part()
    reach: Reach = part()
    chromaticity: Chromaticity | None = None

    def __post_init__(self) -> None:
        validate(self, ModuleError)


@dataclass(frozen=True)
class EyeBox:
    """Half sizes of the box of pupil positions, mm, about the eye-box centre."""

    half_x_mm: float = checked(Number(0.0, 50.0, "mm"), means="half its width, left to right")
    half_y_mm: float = checked(Number(0.0, 50.0, "mm"), means="half its height")
    half_z_mm: float = checked(Number(0.0, 50.0, "mm"), means="half its depth, along the line of sight")

    def __post_init__(self) -> None:
        validate(self, ModuleError)

    @property
    def half_mm(self) -> FloatArray:
        """The half sizes, shape (3,), mm."""
        return np.array([self.half_x_mm, self.half_y_mm, self.half_z_mm])

    def lattice(self, count: tuple[int, int, int], /) -> FloatArray:
        """Return `count` evenly spread positions per axis, x fastest, (n, 3), mm; one alone sits at 0."""
        return box_lattice(-self.half_mm, self.half_mm, count)

    @property
    def corners(self) -> FloatArray:
        """The corners of the box, shape (8, 3), mm; fewer where a side has no length."""
        return box_lattice(-self.half_mm, self.half_mm, np.where(self.half_mm > 0.0, 2, 1).tolist())


@dataclass(frozen=True)
class DisplayModule:
    """A whole display: one or two eyes, one or more channels per eye; every channel shows every colour.

    Examples
    --------
    >>> import prewarp
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> module.name, module.eyes, module.channel_names
    ('pilot visor, coaxial', ('right',), ('inner', 'outer'))
    """

    name: str = checked(Text(100), means="what the display is called")
    channels: tuple[Channel, ...] = part()
    colours: tuple[Colour, ...] = part()
    eye_box: EyeBox = part()
    content: ContentProjection = part()
    edge_deg: float = 0.0
    limits: Limits = Limits()
    measured: Measured = Measured()

    def __post_init__(self) -> None:
        validate(self, ModuleError)
        require_range(self.edge_deg, "content.edge_deg", *EDGE_RANGE_DEG, unit="degrees", error=ModuleError)
        for kind, items, most in (
            ("channel", self.channels, MAX_CHANNELS),
            ("color", self.colours, MAX_COLOURS),
        ):
            if not 1 <= len(items) <= most:
                raise ModuleError(f"{kind}: {len(items)} given; expected 1 to {most}.", key=kind)
            seen: dict[str, str] = {}
            for item in items:
                other = seen.get(item.name.lower())
                if other is not None:
                    raise ModuleError(
                        f"{kind}.{item.name} and {kind}.{other} differ in case at most; expected names that "
                        "can stand in file names side by side.",
                        key=f"{kind}.{item.name}",
                    )
                seen[item.name.lower()] = item.name
        for channel in self.channels:
            self._require_same_colours(channel)

    def _require_same_colours(self, channel: Channel) -> None:
        """Raise unless a channel's measured chromaticities are those of the module's colours."""
        if channel.chromaticity is None or set(channel.chromaticity.primaries) == set(self.colour_names):
            return
        raise ModuleError(
            f"channel.{channel.name}.chromaticity holds {', '.join(channel.chromaticity.primaries)} and "
            f"white; expected the module's colours {', '.join(self.colour_names)} and white.",
            key=f"channel.{channel.name}.chromaticity",
        )

    @property
    def panel_sizes_px(self) -> dict[str, tuple[int, int]]:
        """Width and height of each channel's panel, px, by channel, as `fit_grid` takes them."""
        return {channel.name: channel.panel.size_px for channel in self.channels}

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Names of the channels, in the file's order."""
        return tuple(channel.name for channel in self.channels)

    @property
    def colour_names(self) -> tuple[str, ...]:
        """Names of the colours, in the file's order."""
        return tuple(colour.name for colour in self.colours)

    @property
    def eyes(self) -> tuple[str, ...]:
        """The eyes that have a channel, left before right."""
        return tuple(eye for eye in EYES if any(channel.eye == eye for channel in self.channels))

    def channel(self, name: str, /) -> Channel:
        """Return the channel called `name`; `ModuleError` with the nearest name where there is none."""
        return _find(self.channels, "channel", name)

    def colour(self, name: str, /) -> Colour:
        """Return the colour called `name`; `ModuleError` with the nearest name where there is none."""
        return _find(self.colours, "colour", name)

    def channels_of(self, eye: str, /) -> tuple[Channel, ...]:
        """Return the channels of an eye, in the file's order."""
        return tuple(channel for channel in self.channels if channel.eye == eye)


def read_module(path: Path | str, /) -> DisplayModule:
    """Read and check a module description.

    Raises
    ------
    InputFileError
        The file is missing, larger than 1 MiB or not UTF-8.
    ModuleError
        Its content is wrong; the message names file, full key and what is accepted, a line for each mistake
        (`problems` holds them one by one). What must fit together is checked when each part is right.

    Examples
    --------
    >>> import prewarp
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> module.eye_box.half_mm.tolist(), module.panel_sizes_px
    ([4.0, 3.0, 2.0], {'inner': (2560, 2048), 'outer': (2560, 2048)})
    """
    top = read_toml(Path(path), what="a module description (TOML)", error=ModuleError)
    problems = Problems()
    colours = problems.attempt(
        lambda: top.named(
            top.spelt("color", "colour"),
            lambda table, name: table.read(Colour, name=name),
            most=MAX_COLOURS,
        )
    )
    channels = problems.attempt(lambda: top.named("channel", _channel, most=MAX_CHANNELS))
    eye_box = problems.attempt(lambda: top.table("eye_box").read(EyeBox))
    content = problems.attempt(lambda: _content(top.table("content")))
    limits = problems.attempt(
        lambda: top.table("limits").read(Limits) if "limits" in top.values else Limits()
    )
    measured = problems.attempt(
        lambda: top.table("measured").read(Measured) if "measured" in top.values else Measured()
    )
    problems.attempt(lambda: top.entries(DisplayModule))
    problems.raise_all()
    assert content is not None
    return top.read(
        DisplayModule,
        channels=channels,
        colours=colours,
        eye_box=eye_box,
        content=content[0],
        edge_deg=content[1],
        limits=limits,
        measured=measured,
    )


@dataclass(frozen=True)
class ContentEntries:
    """The entries of [content], as they stand in a module file."""

    projection: str = checked(
        Choice(PROJECTIONS),
        means="pixels are evenly spaced in tangents (flat) or in angle from straight ahead (equidistant)",
    )
    width_px: int = checked(Number(16, 32768, "px", whole=True), means="width of the content picture")
    height_px: int = checked(Number(16, 32768, "px", whole=True), means="its height; pixels are square")
    field_x_deg: float = checked(
        Number(1.0, 340.0, "degrees"), means="field angle across its width; if flat, at most 160"
    )
    edge_deg: float = checked(
        Number(*EDGE_RANGE_DEG, "degrees"),
        default=0.0,
        means="width over which light fades out at the rim of what is lit",
    )

    def content(self) -> ContentProjection:
        """Return the content picture that they describe."""
        return ContentProjection(self.projection, (self.width_px, self.height_px), self.field_x_deg)


def _content(table: Table) -> tuple[ContentProjection, float]:
    entries = table.read(ContentEntries)
    try:
        return entries.content(), entries.edge_deg
    except ModuleError as cause:
        # ContentProjection words its errors with the full key.
        raise ModuleError(f"{table.path}: {cause}", path=table.path, key=table.key) from cause


def _channel(table: Table, name: str) -> Channel:
    problems, measured = Problems(), "chromaticity" in table.values
    panel = problems.attempt(lambda: _panel(table.table("panel")))
    reach = problems.attempt(lambda: table.table("reach").read(Reach))
    chromaticity = problems.attempt(lambda: _chromaticity(table.table("chromaticity"))) if measured else None
    made = problems.attempt(
        lambda: table.read(Channel, name=name, panel=panel, reach=reach, chromaticity=chromaticity)
    )
    problems.raise_all()
    assert made is not None
    return made


def _panel(table: Table) -> Panel:
    problems = Problems()
    timed = "scan" in table.values
    scan = problems.attempt(lambda: table.table("scan").read(PanelScan)) if timed else None
    made = problems.attempt(lambda: table.read(Panel, scan=scan))
    problems.raise_all()
    assert made is not None
    return made


def _chromaticity(table: Table) -> Chromaticity:
    problems = Problems()
    white = problems.attempt(lambda: table.entry(WHITE, _XY))
    primaries = {
        name: problems.attempt(functools.partial(table.entry, name, _XY))
        for name in table.values
        if name != WHITE
    }
    problems.raise_all()
    assert white is not None
    try:
        return Chromaticity({name: xy for name, xy in primaries.items() if xy is not None}, white)
    except ModuleError as cause:
        raise table.fail(str(cause).removeprefix("chromaticity "), cause=cause) from cause


class _Named(Protocol):
    @property
    def name(self) -> str: ...


_Item = TypeVar("_Item", bound=_Named)


def _find(items: tuple[_Item, ...], kind: str, name: str) -> _Item:
    for item in items:
        if item.name == name:
            return item
    names = [item.name for item in items]
    raise ModuleError(
        f"no {kind} is called {name!r}; there are {', '.join(names)}.{nearest_name(name, names)}", key=kind
    )
