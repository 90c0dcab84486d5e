"""The numbers of a lookup as textures: what shaders sum for a pupil position in place of the C evaluator.

Static: they serve every pupil position of the eye box. All channels of an eye have the same degrees here
(terms that one does not have are 0), so that one shader serves them all. 32-bit floats, RGBA.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.chebyshev import count_of_degree, exponents_of_degree
from prewarp.export.polynomial_block import polynomial_plan
from prewarp.lookup import Lookup, prepare
from prewarp.lookup.chebyshev_terms import terms_of
from prewarp.lookup.device import Float32Array
from prewarp.lookup.device_light import BORDER_UNIT
from prewarp.lookup.pupil import pupil_count
from prewarp.lookup.tables import GainTable

NUMBERS, GAINS, CLAIMS, BORDERS = "t_numbers", "t_gain_numbers", "t_claim_numbers", "t_border_points"
_F = np.float32
Planes = tuple[str, str, str]


@dataclass(frozen=True)
class GpuPlan:
    """Degrees that the shaders of an eye are made for.

    `degree` over the panel, `pupil_degree`; `gain_degree`, `gain_pupil_degree` of gains, None where a lookup
    has none.
    """

    degree: int
    pupil_degree: int
    gain_degree: int | None = None
    gain_pupil_degree: int | None = None


def gpu_plan(lookup: Lookup | None, channels: tuple[str, ...], planes: Planes, /) -> GpuPlan | str:
    """Return what shaders are made for, or why they cannot make meshes of these tables."""
    degree = pupil_degree = 0
    for channel in channels:
        plan = polynomial_plan(lookup, channel, planes)
        if plan.degree is None or lookup is None:
            return plan.why
        degree = max(degree, plan.degree)
        for colour in planes:
            for place in _chain(lookup, channel, colour):
                pupil_degree = max(pupil_degree, lookup.maps[place].pupil_degree)
    assert lookup is not None
    gains = [one for channel in channels for one in _gains(lookup, channel, planes) if one is not None]
    if not gains:
        return GpuPlan(degree, pupil_degree)
    return GpuPlan(
        degree, pupil_degree, max(one.panel_degree for one in gains), max(one.pupil_degree for one in gains)
    )


def map_numbers(lookup: Lookup, channel: str, planes: Planes, plan: GpuPlan, /) -> Float32Array:
    """Return the coefficients of a channel's maps (2 x pupil functions, terms, 4), base and difference added.

    Rows of all pupil functions of (red tx, ty, green tx, ty), then of (blue tx, ty, 0, 0).
    """
    functions, terms = pupil_count(plan.pupil_degree), count_of_degree(plan.degree)
    found = np.zeros((2, functions, terms, 4), dtype=np.float32)
    for plane, colour in enumerate(planes):
        own = np.zeros((functions, terms, 2), dtype=np.float32)
        for place in _chain(lookup, channel, colour):
            codes, step = terms_of(lookup.maps[place])
            numbers = np.moveaxis(codes, 0, -1).astype(np.float32)
            own[: numbers.shape[0], : numbers.shape[1]] += _F(step) * numbers
        first = 2 * (plane % 2)
        found[plane // 2, :, :, first : first + 2] = own
    return found.reshape(-1, terms, 4)


def gain_numbers(lookup: Lookup, channel: str, planes: Planes, plan: GpuPlan, /) -> Float32Array:
    """Return the coefficients of the logarithm of a channel's gains (pupil functions, panel functions, 4):
    red, green, blue, 0. A colour without a gain has zeros: its gain is 1.

    Raises
    ------
    ValueError
        The lookup has no gains.
    """
    if plan.gain_degree is None or plan.gain_pupil_degree is None:
        raise ValueError("the lookup has no gains")
    functions, terms = count_of_degree(plan.gain_pupil_degree), count_of_degree(plan.gain_degree)
    found = np.zeros((functions, terms, 4), dtype=np.float32)
    for plane, gain in enumerate(_gains(lookup, channel, planes)):
        if gain is None:
            continue
        panel, pupil = (len(exponents_of_degree(one)) for one in (gain.panel_degree, gain.pupil_degree))
        numbers = gain.block.numbers.reshape(panel, pupil).astype(np.float32)
        found[:pupil, :panel, plane] = numbers.T * _F(gain.block.scale)
    return found


def gain_frames(lookup: Lookup, channel: str, planes: Planes, /) -> dict[str, tuple[float, float, float]]:
    """Return middle and half width, mm, of where gains are known, along x and y: of red, green, blue."""
    frames = [
        ((0.0, 0.0), (1.0, 1.0)) if gain is None else (gain.centre_mm, gain.half_mm)
        for gain in _gains(lookup, channel, planes)
    ]
    (red, green, blue) = (np.asarray(one, dtype=float) for one in frames)
    return {
        f"u_gain_{what}_{axis}_mm": (float(red[row, k]), float(green[row, k]), float(blue[row, k]))
        for row, what in enumerate(("middle", "half"))
        for k, axis in enumerate("xy")
    }


def claim_numbers(lookup: Lookup, channels: tuple[str, ...], /) -> Float32Array:
    """Return the coefficients of the claims (rows, columns, 4), a component for each channel in turn.

    Raises
    ------
    ValueError
        The lookup has no claims.
    """
    claims = lookup.claims
    if claims is None:
        raise ValueError("the lookup has no claims")
    found = np.zeros((claims.rows, claims.columns, 4), dtype=np.float32)
    numbers = claims.block.numbers.reshape(-1, claims.rows, claims.columns).astype(np.float32)
    own = numbers[[lookup.channels.index(name) for name in channels]]
    found[..., : len(own)] = np.moveaxis(own, 0, -1) * _F(claims.block.scale)
    return found


def border_points(lookup: Lookup, channels: tuple[str, ...], planes: Planes, /) -> Float32Array:
    """Return the borders of what panels show (3 x channels, points + 1, 4): s, t, how many points, 0.

    Rows: red, green, blue of the first channel, then of the next. First a point well inside, then the border,
    counter-clockwise as it is seen from the middle of the eye box; s, t on -1 to 1 over the panel.
    """
    middle_mm = np.mean(lookup.pupil_box_mm, axis=0)
    rows = []
    for channel in channels:
        for colour in planes:
            place = lookup.map_index(channel, colour)
            border, size = (
                lookup.borders[place],
                np.asarray(_size_px(lookup, place)),
            )
            share = border.block.numbers.reshape(-1, 2).astype(np.float32) / BORDER_UNIT
            seen = prepare(lookup, place, middle_mm).direction_from_panel(share * size).astype(float)
            x, y = (seen - seen.mean(axis=0)).T
            if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0.0:
                share = share[::-1]
            inside = np.asarray(border.middle_px / size, dtype=np.float32)[None]
            rows.append(_F(2.0) * np.concatenate([inside, share]) - _F(1.0))
    found = np.zeros((len(rows), max(map(len, rows)), 4), dtype=np.float32)
    for row, points in zip(found, rows, strict=True):
        row[: len(points), :2], row[:, 2] = points, len(points) - 1
    return found


def has_dark_parts(lookup: Lookup, /) -> bool:
    """Return whether part of a panel inside its border is dark: shaders do not look for that."""
    return any(one.regions for one in lookup.borders)


def gpu_textures(
    lookup: Lookup, channels: tuple[str, ...], planes: Planes, plan: GpuPlan, /
) -> dict[tuple[str | None, str], Float32Array]:
    """Return all textures of an eye, by channel (None: the eye's) and sampler."""
    found: dict[tuple[str | None, str], Float32Array] = {}
    for channel in channels:
        found[channel, NUMBERS] = map_numbers(lookup, channel, planes, plan)
        if plan.gain_degree is not None:
            found[channel, GAINS] = gain_numbers(lookup, channel, planes, plan)
    if makes_shares(lookup, channels):
        found[None, CLAIMS] = claim_numbers(lookup, channels)
        found[None, BORDERS] = border_points(lookup, channels, planes)
    return found


def makes_shares(lookup: Lookup, channels: tuple[str, ...], /) -> bool:
    """Return whether shaders can make the texture of shares: several channels, no dark parts."""
    known = lookup.claims is not None and bool(lookup.borders)
    return len(channels) > 1 and known and not has_dark_parts(lookup)


def _size_px(lookup: Lookup, place: int) -> tuple[int, int]:
    return lookup.panel_sizes_px[lookup.maps[place].channel]


def _chain(lookup: Lookup, channel: str, colour: str) -> list[int]:
    """Return the places of a map's bases and of itself, in the order in which they are added."""
    places: list[int] = []
    place: int | None = lookup.map_index(channel, colour)
    while place is not None:
        places.insert(0, place)
        place = lookup.maps[place].base
    return places


def _gains(lookup: Lookup, channel: str, planes: Planes) -> list[GainTable | None]:
    return [lookup.gain_of(channel, colour) for colour in planes]
