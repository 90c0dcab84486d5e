"""Units as they are built: what of a design has a tolerance, and the design with these numbers moved."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import ShapeError
from prewarp.trace.design import Design, DesignChannel, PanelPlace, Surface

# Astigmatism, trefoil, coma, spherical (`prewarp.trace.figure`).
FIGURE_TERMS = (3, 5, 6, 7, 8, 9, 12)
_AXES = "xyz"
_PANEL, _CHANNEL = -1, -2
_Part = TypeVar("_Part", DesignChannel, PanelPlace, Surface)


@dataclass(frozen=True)
class Departure:
    """One number of a design that differs from unit to unit.

    `channel`; `place`: number of the surface from 0, -1 for the panel, -2 for the channel itself; `key`: the
    key of the design; `entry`: which entry of it, None where it is one number; `sigma`: 1-sigma in its unit;
    `label`: for people.
    """

    channel: str
    place: int
    key: str
    entry: int | None
    sigma: float
    label: str


def departures(design: Design, /) -> tuple[Departure, ...]:
    """Return every number of a design that has a tolerance, channel by channel, from the eye to the panel."""
    found: list[Departure] = []
    for channel in design.channels:
        parts: list[tuple[int, str, object]] = [(_CHANNEL, "channel", channel.tolerance)]
        parts += [(place, one.label, one.tolerance) for place, one in enumerate(channel.surfaces)]
        parts.append((_PANEL, "panel", channel.panel.tolerance))
        for place, label, tolerance in parts:
            for name, sigma in vars(tolerance).items():
                if sigma > 0.0:
                    key = "index_offset" if name == "index" else name
                    found += [
                        Departure(channel.name, place, key, entry, sigma, _label(label, name, entry))
                        for entry in _entries(name)
                    ]
    return tuple(found)


def _entries(name: str) -> Sequence[int | None]:
    if name == "figure_um":
        return FIGURE_TERMS
    return range(2) if name == "decentre_mm" else range(3) if name in ("tilt_deg", "turn_deg") else (None,)


def _label(part: str, name: str, entry: int | None) -> str:
    if name == "figure_um":
        return f"{part}: figure_um Z{entry}"
    return f"{part}: {name}" + ("" if entry is None else f" {_AXES[entry]}")


def built_design(design: Design, which: Sequence[Departure], amounts: FloatArray, /) -> Design:
    """Return the design with departures moved by amounts (k,), each in the unit of its key.

    Raises
    ------
    ShapeError
        The numbers of departures and amounts differ.
    """
    if len(which) != len(amounts):
        raise ShapeError(f"{len(amounts)} amounts for {len(which)} departures; expected one each.")
    channels = {one.name: one for one in design.channels}
    for one, amount in zip(which, amounts, strict=True):
        channels[one.channel] = _moved(channels[one.channel], one, float(amount))
    return replace(design, channels=tuple(channels.values()))


def drawn_design(design: Design, random: np.random.Generator, /) -> Design:
    """Return a unit drawn by lot from the design's tolerances."""
    which = departures(design)
    return built_design(design, which, random.normal(size=len(which)) * [one.sigma for one in which])


def _moved(channel: DesignChannel, one: Departure, amount: float) -> DesignChannel:
    if one.place == _CHANNEL:
        return _with(channel, one, amount)
    if one.place == _PANEL:
        return replace(channel, panel=_with(channel.panel, one, amount))
    surfaces = list(channel.surfaces)
    surfaces[one.place] = _with(surfaces[one.place], one, amount)
    return replace(channel, surfaces=tuple(surfaces))


def _with(part: _Part, one: Departure, amount: float) -> _Part:
    value: Any = getattr(part, one.key)
    moved = value + amount if one.entry is None else _with_entry(value, one.entry, amount)
    changed: dict[str, Any] = {one.key: moved}
    return replace(part, **changed)


def _with_entry(value: tuple[float, ...], place: int, amount: float) -> tuple[float, ...]:
    entries = [*value, *[0.0] * (place + 1 - len(value))]
    entries[place] += amount
    return tuple(entries)
