"""The device's light in numpy, bit for bit as the float path in C (`prewarp_light.c`): every step in float32.

A border is seen from a pupil as a closed line that turns one way around a direction well inside: a direction
is inside where it lies left of the piece of that line ahead of it. Pieces are told by a quantity that rises
with the angle and needs no trigonometry. Where a map has regions, the panel point of the direction is found
and its ray must be lit in all of them.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from prewarp.chebyshev import exponents_of_degree
from prewarp.checks import BoolArray, FloatArray, as_pixel, as_pupil, as_tangent
from prewarp.lookup.device import Float32Array, PreparedMap, Status, chebyshev_values, prepare
from prewarp.lookup.pupil import region_exponents
from prewarp.lookup.tables import BorderTable, ClaimTable, GainTable, Lookup, RegionTable

_F = np.float32
BORDER_UNIT = _F(65535.0)
DEGREES = _F(57.29577951308232)
# Degrees of atan(r) / r as a ratio of polynomials in r^2 up to 3 (60 degrees), of least largest error, 1e-8.
_NEAR_SQUARE = _F(3.0)
_ANGLE_ABOVE = [_F(one) for one in (1.1700073, 20.03608, 68.20114, 57.29578)]
_ANGLE_BELOW = [_F(one) for one in (0.0011253575, 0.07767833, 0.6575962, 1.523667, 1.0)]
# Degrees of (1 + r^2)^(-3/4) in the same way, good to 1.2e-6.
_STEP_ABOVE = [_F(one) for one in (3.3757699, 37.3309, 57.295715)]
_STEP_BELOW = [_F(one) for one in (0.020886298, 0.45426834, 1.4014885, 1.0)]
# atan(sqrt(x)) / sqrt(x) for x up to tan(22.5 degrees)^2 = 0.1716: the next term is 4e-8.
_ARCTANGENT = [_F(sign / number) for number, sign in zip(range(15, 0, -2), [-1.0, 1.0] * 4, strict=True)]
# 2^f for f within half of 0: Taylor, the next term is 6e-8.
_POWER = [
    _F(one)
    for one in (1.5403530e-4, 1.3333558e-3, 9.6181291e-3, 5.5504109e-2, 2.4022651e-1, 6.9314718e-1, 1.0)
]
_LOG2_E, _LARGEST_POWER = _F(1.44269504), _F(96.0)
# The box around a border beyond which nothing is shown, over the border's own.
_AROUND = _F(1.03125)


@dataclass(frozen=True)
class PreparedBorder:
    """A border as seen from one pupil position.

    `middle` (2,), a direction; `vertices` (n, 2), directions less the middle, by rising `angle` (n,).
    `around` (2,): half size of a box about the middle beyond which nothing is shown.
    """

    middle: Float32Array
    vertices: Float32Array
    angle: Float32Array
    around: Float32Array

    def beside(self, tangent: Float32Array, /) -> tuple[Float32Array, Float32Array]:
        """Return how far inside the line of the piece ahead directions (n, 2) lie, times that piece's length,
        0 at most beyond the box; and the square of its length, (n,) each.
        """
        place = tangent - self.middle
        found = np.searchsorted(self.angle, turning(place), side="right") - 1
        here, there = self.vertices[found], self.vertices[(found + 1) % len(self.vertices)]
        along, across = there - here, place - here
        square = along[:, 0] * along[:, 0] + along[:, 1] * along[:, 1]
        beside = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
        close = np.all(np.abs(place) < self.around, axis=1)
        return np.where(close, beside, np.where(beside < _F(0.0), beside, _F(0.0))), square

    def contains(self, tangent: Float32Array, /) -> BoolArray:
        """Return which directions (n, 2) lie inside; NaN does not."""
        return np.asarray(self.beside(tangent)[0] > _F(0.0))


class PreparedLight:
    """What weights and gains need, for one pupil position (3,), mm, moved into the box where outside."""

    def __init__(self, lookup: Lookup, pupil_mm: FloatArray, /) -> None:
        self.lookup = lookup
        low, high = np.asarray(lookup.pupil_box_mm, dtype=np.float32)
        given = as_pupil(pupil_mm).reshape(3).astype(np.float32)
        above = np.where(given > low, given, low)
        self.pupil_mm: Float32Array = np.where(above < high, above, high)
        self._given = np.asarray(pupil_mm, dtype=float)

    @cached_property
    def maps(self) -> tuple[PreparedMap, ...]:
        """All maps, prepared."""
        return tuple(prepare(self.lookup, place, self._given) for place in range(len(self.lookup.maps)))

    @cached_property
    def _borders(self) -> tuple[PreparedBorder, ...]:
        return tuple(
            prepared_border(one, own) for one, own in zip(self.lookup.borders, self.maps, strict=False)
        )

    def lit(self, tangent: FloatArray, /) -> BoolArray:
        """Return, per channel (channels, n), whether it shows directions (n, 2) in every colour."""
        return np.stack([self.lit_by(channel, tangent) for channel in range(len(self.lookup.channels))])

    def lit_by(self, channel: int, tangent: FloatArray, /) -> BoolArray:
        """Return whether one channel shows directions (n, 2) in every colour (n,)."""
        asked = as_tangent(tangent).astype(np.float32)
        lit = np.ones(len(asked), dtype=bool)
        # What is not a number is dark, whatever comes of it.
        with np.errstate(all="ignore"):
            for place in range(len(self.lookup.borders)):
                if self.lookup.maps[place].channel == channel:
                    lit &= self._shows(place, asked)
        return lit

    def _shows(self, place: int, tangent: Float32Array) -> BoolArray:
        inside = self._borders[place].contains(tangent)
        regions = self.lookup.borders[place].regions
        if not regions or not inside.any():
            return inside
        asked = np.flatnonzero(inside)
        pixel, status = self.maps[place].panel_from_direction(tangent[asked].astype(float))
        good = status != Status.NOT_CONVERGED
        for region in regions:
            value = self._region_value(region, self.maps[place].panel_size_px, pixel, tangent[asked])
            good &= value > _F(0.0)
        inside[asked] = good
        return inside

    def _reference(self, centre: FloatArray, half: FloatArray, tangent: Float32Array) -> list[Float32Array]:
        """Return x0, y0 (n,) of rays in directions (n, 2), normalised."""
        return [
            ((self.pupil_mm[k] - self.pupil_mm[2] * tangent[:, k]) - _F(centre[k])) / _F(half[k])
            for k in range(2)
        ]

    def _region_value(
        self, region: RegionTable, size_px: tuple[int, int], pixel: Float32Array, tangent: Float32Array
    ) -> Float32Array:
        return self._region_at(region, *_panel_place(pixel, size_px), tangent)

    def _region_at(
        self, region: RegionTable, s: Float32Array, t: Float32Array, tangent: Float32Array
    ) -> Float32Array:
        """Return a region's polynomial (n,) at panel places s, t, -1 to 1: above 0 where rays are lit."""
        x, y = self._reference(region.centre_mm, region.half_mm, tangent)
        u, v = chebyshev_values(s, region.degree), chebyshev_values(t, region.degree)
        p, q = chebyshev_values(x, region.degree), chebyshev_values(y, region.degree)
        total = np.zeros_like(s)
        exponents = region_exponents(region.degree, region.pupil_degree)
        for (a, b, c, d), code in zip(exponents, region.block.numbers.astype(np.float32), strict=True):
            total = total + code * (((u[a] * v[b]) * p[c]) * q[d])
        return total

    def claims_and_depths(
        self, tangent: FloatArray, /, *, limit_deg: float
    ) -> tuple[Float32Array, Float32Array]:
        """Return claims, and degrees inside what each channel shows, (channels, n), of directions (n, 2).

        Depths are exact at the border and a fair measure near it, cut at `limit_deg` either way.
        """
        asked, limit = as_tangent(tangent).astype(np.float32), _F(limit_deg)
        depths = np.full((len(self.lookup.channels), len(asked)), limit, dtype=np.float32)
        with np.errstate(all="ignore"):
            for place in range(len(self.lookup.borders)):
                channel = self.lookup.maps[place].channel
                depths[channel] = np.minimum(depths[channel], self._map_depth(place, asked, limit))
        claims = self.lookup.claims
        if claims is None:
            return np.zeros_like(depths), depths
        return claims_at(claims, tangent, len(depths)), depths

    def _map_depth(self, place: int, tangent: Float32Array, limit: np.float32) -> Float32Array:
        beside, square = self._borders[place].beside(tangent)
        per_unit = _degrees_per_unit(tangent)
        per_piece = np.where(square > _F(0.0), _F(1.0) / np.sqrt(square), _F(0.0))
        depth = beside * per_piece * per_unit
        regions, near = self.lookup.borders[place].regions, depth > -limit
        depth = np.where(near, np.where(depth < limit, depth, limit), -limit)
        if not regions or not near.any():
            return np.asarray(depth)
        own, asked = self.maps[place], np.flatnonzero(near)
        seen, scale = tangent[asked], per_unit[asked]
        pixel, status = own.panel_from_direction(seen.astype(float))
        size = np.array(own.panel_size_px, dtype=np.float32)
        across, down = (
            own.direction_from_panel((pixel + step).astype(float)) - seen
            for step in np.diag(size * _F(0.0078125))
        )
        area = across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]
        scale = np.sqrt(np.abs(area)) * scale
        found = depth[asked]
        s, t = _panel_place(pixel, own.panel_size_px)
        for region in regions:
            here = self._region_at(region, s, t, seen)
            rise = self._region_at(region, s + _F(0.015625), t, seen) - here
            fall = self._region_at(region, s, t + _F(0.015625), seen) - here
            steep = np.sqrt(rise * rise + fall * fall)
            lit = np.where(steep > _F(0.0), here / steep * scale, np.where(here > _F(0.0), limit, -limit))
            found = np.where(lit < found, lit, found)
        found = np.where((found > -limit) & (status != Status.NOT_CONVERGED), found, -limit)
        depth[asked] = found
        return np.asarray(depth)

    def weights(self, tangent: FloatArray, /) -> Float32Array:
        """Return the share of linear light of each channel, (channels, n), in directions (n, 2)."""
        return self.lit_and_weights(tangent)[1]

    def lit_and_weights(self, tangent: FloatArray, /) -> tuple[BoolArray, Float32Array]:
        """Return what `lit` and `weights` return."""
        lit, claims = self.lit(tangent), self.lookup.claims
        if claims is None:
            return lit, lit.astype(np.float32)
        own = np.where(lit, claims_at(claims, tangent, len(lit)) + _F(claims.least), _F(0.0))
        total = np.zeros(lit.shape[1], dtype=np.float32)
        for one in own:
            total = total + one
        return lit, np.where(total > _F(0.0), own / np.where(total > _F(0.0), total, _F(1.0)), _F(0.0))

    def shares(self, tangent: FloatArray, /, *, edge_deg: float) -> Float32Array:
        """Return weights (channels, n) of directions (n, 2) that fade at the rim of what any channel shows,
        over `edge_deg` degrees: what shaders show (`prewarp.seam.blend.shown_weights`).
        """
        weights, edge = self.weights(tangent), _F(edge_deg)
        if not edge > _F(0.0):
            return weights
        depth = self.claims_and_depths(tangent, limit_deg=edge_deg)[1].max(axis=0)
        s = np.maximum(depth / edge, _F(0.0))
        return np.asarray(weights * (s * s * s * (s * (_F(6.0) * s - _F(15.0)) + _F(10.0))))

    def gain(self, place: int, pixel: FloatArray, tangent: FloatArray, /) -> Float32Array:
        """Return the gain (n,) of a map's channel and colour at panel points (n, 2), px, in directions."""
        key = self.lookup.key_of(self.lookup.maps[place])
        gain = self.lookup.gain_of(*key)
        if gain is None:
            return np.ones(len(pixel), dtype=np.float32)
        size, point = self.lookup.panel_sizes_px[gain.channel], as_pixel(pixel).astype(np.float32)
        return self._gain(gain, size, point, as_tangent(tangent).astype(np.float32))

    def _gain(
        self, gain: GainTable, size_px: tuple[int, int], pixel: Float32Array, tangent: Float32Array
    ) -> Float32Array:
        s, t = (_held_to_one(one) for one in _panel_place(pixel, size_px))
        x, y = (_held_to_one(one) for one in self._reference(gain.centre_mm, gain.half_mm, tangent))
        in_s, in_t = chebyshev_values(s, gain.panel_degree), chebyshev_values(t, gain.panel_degree)
        in_x, in_y = chebyshev_values(x, gain.pupil_degree), chebyshev_values(y, gain.pupil_degree)
        pupil = [in_x[a] * in_y[b] for a, b in exponents_of_degree(gain.pupil_degree)]
        numbers = gain.block.numbers.astype(np.float32).reshape(-1, len(pupil))
        total = np.zeros_like(s)
        for (a, b), row in zip(exponents_of_degree(gain.panel_degree), numbers, strict=True):
            inner = np.zeros_like(s)
            for code, value in zip(row, pupil, strict=True):
                inner = inner + code * value
            total = total + inner * (in_s[a] * in_t[b])
        return exponential_32(total * _F(gain.block.scale))


def prepared_border(border: BorderTable, own: PreparedMap, /) -> PreparedBorder:
    """Return a border as the map of one pupil position shows it."""
    size = np.array(own.panel_size_px, dtype=np.float32)
    points = border.block.numbers.reshape(-1, 2).astype(np.float32) * (size / BORDER_UNIT)
    seen = own.direction_from_panel(
        np.concatenate([np.asarray(border.middle_px)[None], points]).astype(float)
    )
    middle, vertices = seen[0], seen[1:] - seen[0]
    there = np.roll(vertices, -1, axis=0)
    areas = vertices[:, 0] * there[:, 1] - vertices[:, 1] * there[:, 0]
    # One after the other, as a device adds.
    if np.add.accumulate(areas)[-1] < _F(0.0):
        vertices = vertices[::-1]
    angle = turning(vertices)
    first = int(np.argmin(angle))
    vertices, angle = np.roll(vertices, -first, axis=0), np.roll(angle, -first)
    around = np.abs(vertices).max(axis=0) * _AROUND
    return PreparedBorder(middle, np.ascontiguousarray(vertices), np.maximum.accumulate(angle), around)


def turning(place: Float32Array, /) -> Float32Array:
    """Return a number (n,) from 0 to 4 that rises with the angle of points (n, 2) about 0."""
    x, y = place[:, 0], place[:, 1]
    share = y / (np.abs(x) + np.abs(y) + _F(1e-30))
    sign = np.where(x < _F(0.0), _F(-1.0), _F(1.0))
    start = np.where(x < _F(0.0), _F(2.0), np.where(y < _F(0.0), _F(4.0), _F(0.0)))
    return np.asarray(start + sign * share)


def claims_at(claims: ClaimTable, tangent: FloatArray, channels: int, /) -> Float32Array:
    """Return the claims (channels, n), 0 or more, of directions (n, 2)."""
    with np.errstate(all="ignore"):
        plane = plane_deg_32(np.asarray(tangent, dtype=np.float64).astype(np.float32))
    firsts, weights, per_deg = [], [], _F(1.0) / _F(claims.pitch_deg)
    for axis, count in enumerate((claims.columns, claims.rows)):
        last = _F(count - 3)
        place = (plane[:, axis] - _F(claims.origin_deg[axis])) * per_deg
        place = np.where(place > _F(0.0), place, _F(0.0))
        place = np.where(place < last, place, last)
        first = np.where(place < last - _F(1.0), place, last - _F(1.0)).astype(np.int64)
        firsts.append(first)
        weights.append(_six_cubic_weights(place - first.astype(np.float32)))
    (c, r), (across, down) = firsts, weights
    codes = claims.block.numbers.astype(np.float32).reshape(channels, claims.rows, claims.columns)
    total = np.zeros((channels, len(plane)), dtype=np.float32)
    for i in range(4):
        column = np.zeros_like(total)
        for j in range(4):
            column = column + down[j] * codes[:, r + j, c + i]
        total = total + across[i] * column
    # Both axes carry six times their weights.
    value = total * (_F(claims.block.scale) / _F(36.0))
    return np.where(value > _F(0.0), value, _F(0.0))


def _six_cubic_weights(t: Float32Array) -> list[Float32Array]:
    """Return six times the weights of a uniform cubic B-spline at t, 0 to 1 from its second node on."""
    s, three = _F(1.0) - t, _F(3.0)
    return [
        s * s * s,
        (three * t - _F(6.0)) * t * t + _F(4.0),
        ((-three * t + three) * t + three) * t + _F(1.0),
        t * t * t,
    ]


def plane_deg_32(tangent: Float32Array, /) -> Float32Array:
    """Return angle from straight ahead along the azimuth, (n, 2) degrees.

    Beyond 60 degrees the angle is halved twice, then comes the arc tangent's series.
    """
    one = _F(1.0)
    with np.errstate(all="ignore"):
        given = _square(tangent)
        first = one + np.sqrt(one + given)
        square = given / (first * first)
        second = one + np.sqrt(one + square)
        square = square / (second * second)
        far = _horner(_ARCTANGENT, square) * (_F(4.0) * DEGREES) / (first * second)
        near = _horner(_ANGLE_ABOVE, given) / _horner(_ANGLE_BELOW, given)
        return np.asarray(tangent * np.where(given <= _NEAR_SQUARE, near, far)[:, None])


def _degrees_per_unit(tangent: Float32Array) -> Float32Array:
    """Return degrees of a small step of directions (n, 2), between those across and along the radius."""
    square = _square(tangent)
    root = np.sqrt(_F(1.0) + square)
    near = _horner(_STEP_ABOVE, square) / _horner(_STEP_BELOW, square)
    return np.where(square <= _NEAR_SQUARE, near, DEGREES / (root * np.sqrt(root)))


def _square(tangent: Float32Array) -> Float32Array:
    return np.asarray(tangent[:, 0] * tangent[:, 0] + tangent[:, 1] * tangent[:, 1])


def _horner(terms: list[np.float32], x: Float32Array) -> Float32Array:
    value = np.full_like(x, terms[0])
    for term in terms[1:]:
        value = value * x + term
    return value


def exponential_32(x: Float32Array, /) -> Float32Array:
    """Return e^x, float32, for x within 66 of 0."""
    power = _held_to(x * _LOG2_E, _LARGEST_POWER)
    whole = np.floor(power + _F(0.5))
    part = power - whole
    value = np.full_like(part, _POWER[0])
    for term in _POWER[1:]:
        value = value * part + term
    return np.asarray(value * ((whole.astype(np.int32) + 127) << 23).astype(np.int32).view(np.float32))


def _panel_place(pixel: Float32Array, size_px: tuple[int, int]) -> tuple[Float32Array, Float32Array]:
    size = np.array(size_px, dtype=np.float32)
    place = (_F(2.0) * pixel - size) / size
    return place[:, 0], place[:, 1]


def _held_to(value: NDArray[np.float32], limit: np.float32) -> Float32Array:
    above = np.where(value > -limit, value, -limit)
    return np.where(above < limit, above, limit)


def _held_to_one(value: NDArray[np.float32]) -> Float32Array:
    return _held_to(value, _F(1.0))
