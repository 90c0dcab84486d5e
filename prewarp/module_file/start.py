"""A display to start from: what a new module file holds before anything is measured."""

import math
from dataclasses import dataclass

from prewarp.errors import ModuleError
from prewarp.module import Channel, Colour, ContentEntries, DisplayModule, EyeBox, Panel, Reach

LAYOUTS = ("side-by-side", "stacked")
# Examples to be overwritten: centroids of usual panel colours, and a panel of a usual kind.
WAVELENGTHS_NM = {"R": 630.0, "G": 532.0, "B": 460.0}
OTHER_WAVELENGTH_NM = 532.0
PANEL_PX = (2560, 2048)
EXAMPLE_PANEL = {"pitch_um": 12.0, "encoding": "srgb", "bit_depth": 8}
EYE_BOX = EyeBox(4.0, 3.0, 2.0)
# Reach of a channel, half sizes, and of what neighbours share, degrees.
HALF_REACH_DEG = (20.0, 15.0)
OVERLAP_DEG = 10.0
# Content that stands over the reach of all channels at each side, degrees.
MARGIN_DEG = 5.0
# Beyond this a flat picture spends most of its pixels at the sides.
WIDEST_FLAT_DEG = 120.0
SIZE_STEP_PX, MOST_PX = 16, 32768


@dataclass(frozen=True)
class NewChannel:
    """A channel of a new module: its nominal reach, (left, right) and (lower, upper) end, degrees."""

    name: str
    eye: str
    dir_x_deg: tuple[float, float]
    dir_y_deg: tuple[float, float]
    panel_px: tuple[int, int]
    mirrored: bool = False


@dataclass(frozen=True)
class NewModule:
    """A module that is made, and which of its values are examples to be overwritten.

    Parameters
    ----------
    module : DisplayModule
        The display; it can be used as it is.
    remarks : mapping of str to str
        What is said of a value in the file, by its full key.
    head : tuple of str
        What is said at the top of the file.
    """

    module: DisplayModule
    remarks: dict[str, str]
    head: tuple[str, ...] = ()


def start_module(
    *,
    eyes: tuple[str, ...] = ("right",),
    channels: int = 2,
    layout: str = "side-by-side",
    colours: tuple[str, ...] = ("R", "G", "B"),
    panel_px: tuple[int, int] = PANEL_PX,
    name: str = "new display",
) -> NewModule:
    """Return a module of usual values: one or two channels an eye, side by side or stacked.

    Parameters
    ----------
    eyes : tuple of str
        Of "left" and "right".
    channels : int
        1 or 2 for each eye.
    layout : str
        Of `LAYOUTS`: how two channels of an eye lie.
    colours : tuple of str
        Names of the colours.
    panel_px : (int, int)
        Width and height of every panel, px.
    name : str
        What the display is called.

    Raises
    ------
    ModuleError
        A setting is not among these.
    """
    if channels not in (1, 2):
        raise ModuleError(f"channels is {channels}; expected 1 or 2 for each eye.", key="channels")
    if layout not in LAYOUTS:
        raise ModuleError(f"layout is {layout!r}; expected one of {', '.join(LAYOUTS)}.", key="layout")
    made = []
    for eye in eyes:
        for own, (x, y) in _reaches(eye, channels, layout).items():
            label = own if len(eyes) == 1 and channels > 1 else f"{eye}_{own}" if channels > 1 else eye
            made.append(NewChannel(label, eye, x, y, panel_px))
    head = ("Values are examples: overwrite them with those of the display.",)
    return made_module(made, colours, EYE_BOX, name=name, head=head)


def _reaches(
    eye: str, channels: int, layout: str
) -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    """Return the reach (x, y) of each channel of an eye, by name."""
    (half_x, half_y), low = HALF_REACH_DEG, -OVERLAP_DEG / 2.0
    x, y = (-half_x, half_x), (-half_y, half_y)
    if channels == 1:
        return {"main": (x, y)}
    if layout == "stacked":
        far = 2.0 * half_y + low
        return {"upper": (x, (low, far)), "lower": (x, (-far, -low))}
    far = 2.0 * half_x + low
    right, left = (low, far), (-far, -low)
    inner, outer = (left, right) if eye == "right" else (right, left)
    return {"inner": (inner, y), "outer": (outer, y)}


def made_module(
    channels: list[NewChannel],
    colours: tuple[str, ...],
    eye_box: EyeBox,
    *,
    name: str,
    head: tuple[str, ...] = (),
    focal_px: float | None = None,
    widest_deg: tuple[float, float] | None = None,
    remarks: dict[str, str] | None = None,
) -> NewModule:
    """Return the module of these channels, with content that holds their reach at the panels' fineness.

    `focal_px`: panel px per unit tangent, by which content is sized; else the mean over each reach.
    `widest_deg`: largest |direction| along x and y that content must hold; else the reach's and a margin.
    """
    parts = tuple(
        Channel(
            one.name,
            one.eye,
            Panel(*one.panel_px, **EXAMPLE_PANEL, mirrored=one.mirrored),  # type: ignore[arg-type]
            Reach(one.dir_x_deg, one.dir_y_deg),
        )
        for one in channels
    )
    fineness = focal_px or max(
        size / (_tangent(high) - _tangent(low))
        for one in channels
        for size, (low, high) in zip(one.panel_px, (one.dir_x_deg, one.dir_y_deg), strict=True)
    )
    wide, high = widest_deg or (
        max(abs(end) for one in channels for end in one.dir_x_deg) + MARGIN_DEG,
        max(abs(end) for one in channels for end in one.dir_y_deg) + MARGIN_DEG,
    )
    content = _content(fineness, wide, high)
    module = DisplayModule(
        name,
        parts,
        tuple(Colour(one, WAVELENGTHS_NM.get(one, OTHER_WAVELENGTH_NM)) for one in colours),
        eye_box,
        content.content(),
    )
    said = {f"color.{one}.wavelength_nm": "an example" for one in colours if one not in WAVELENGTHS_NM} | {
        "content.width_px": (
            f"as fine as the panels are on average, {fineness * math.radians(1.0):.0f} px a degree"
        )
    }
    return NewModule(module, {**said, **(remarks or {})}, head)


def _content(focal_px: float, wide_deg: float, high_deg: float) -> ContentEntries:
    """Return a content picture of this fineness at its middle that holds these directions, +- degrees."""
    half = min(math.ceil(wide_deg), 85)
    flat = 2.0 * half <= WIDEST_FLAT_DEG and high_deg <= WIDEST_FLAT_DEG / 2.0
    lengths = [_tangent(half), _tangent(high_deg)] if flat else [math.radians(half), math.radians(high_deg)]
    width, height = (2.0 * focal_px * length for length in lengths)
    # A picture that no file can hold is made coarser, its shape kept.
    coarser = min(1.0, MOST_PX / max(width, height))
    columns, rows = (
        min(MOST_PX, SIZE_STEP_PX * math.ceil(length * coarser / SIZE_STEP_PX)) for length in (width, height)
    )
    return ContentEntries("flat" if flat else "equidistant", columns, rows, field_x_deg=2.0 * half)


def _tangent(degrees: float) -> float:
    return math.tan(math.radians(degrees))
