"""The grid as a value: columns of equal length, validated once, then trusted. No files here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import cast

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, IntArray, as_pixel, as_pupil, as_tangent, extent, finite_rows
from prewarp.columns import codes_from_names, row_list
from prewarp.columns.schema import LIMIT_GROUPS, LIMIT_NAME, LIMIT_ROWS
from prewarp.errors import GridError, ShapeError
from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.grids.columns import GRID_SCHEMA, require_known

_EXTRA_KINDS = "iufbU"
REFERENCE_COLOURS = ("G", "g", "green", "Green")


@dataclass(frozen=True, eq=False)
class Grid:
    """A distortion grid. Row i of every column is sample i.

    Values that are no numbers (NaN, infinities) are kept: `prewarp.checking` reports them, a fit leaves them
    out.

    Parameters
    ----------
    channel, colour : (n,) int array
        Codes into `channel_names`, `colour_names`.
    pupil_mm : (n, 3) float array
        Pupil position x, y, z, mm from the eye-box centre.
    tangent : (n, 2) float array
        Viewing direction (tx, ty), tangents; NaN where the file's angle is 90 degrees or more from straight
        ahead. Given as None, it is made from `direction_deg`.
    pixel : (n, 2) float array
        Panel point (u, v), px.
    luminance : (n,) float array or None
        Relative luminance, linear.
    sigma_px : (n,) float array or None
        Standard uncertainty of the sample, panel px.
    extra : mapping of str to (n,) array
        Other columns of the file, kept and written again.
    row : (n,) int array
        Row in the file, for messages. CSV: line number, the header is line 1. NPZ: index + 1.
    source : str
        File name for messages.
    sha256 : str
        Of the file; empty when the grid was made in memory.
    direction_deg : (n, 2) float array, optional
        `dir_x_deg`, `dir_y_deg` as in the file, so that writing gives the same digits. Left out: made from
        `tangent`, which is then set to the tangent of those angles (a change of 1e-16), so that files hold
        exactly this grid.

    Raises
    ------
    GridError
        Columns differ in length, are empty, or a name is unusable.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> green = grid.select(channel="inner", colour="G")
    >>> green.pixel.shape, green.tangent.shape, green.pupil_mm.shape
    ((12899, 2), (12899, 2), (12899, 3))
    """

    channel: IntArray
    channel_names: tuple[str, ...]
    colour: IntArray
    colour_names: tuple[str, ...]
    pupil_mm: FloatArray
    tangent: FloatArray
    pixel: FloatArray
    luminance: FloatArray | None = None
    sigma_px: FloatArray | None = None
    extra: Mapping[str, np.ndarray] = field(default_factory=dict)
    # None until the grid is made: then rows are numbered, angles made from tangents.
    row: IntArray = cast(IntArray, None)
    source: str = "memory"
    sha256: str = ""
    direction_deg: FloatArray = cast(FloatArray, None)

    def __post_init__(self) -> None:
        count = len(self.channel)
        if not 1 <= count <= LIMIT_ROWS:
            raise GridError(
                f"{self.source}: {count} samples; expected 1 to {LIMIT_ROWS}.", path=self.source, rows=count
            )
        if self.row is None:
            object.__setattr__(self, "row", np.arange(1, count + 1))
        made = self.direction_deg is None or self.tangent is None
        if self.direction_deg is None:
            object.__setattr__(self, "direction_deg", degrees_from_tangent(self.tangent))
        if made:
            object.__setattr__(self, "tangent", forward_tangent(self.direction_deg))
        shapes: dict[str, tuple[int, ...]] = {"channel": (count,), "colour": (count,), "row": (count,)}
        shapes |= {
            "pupil_mm": (count, 3),
            "tangent": (count, 2),
            "pixel": (count, 2),
            "direction_deg": (count, 2),
        }
        shapes |= {name: (count,) for name in ("luminance", "sigma_px") if getattr(self, name) is not None}
        for name, expected in shapes.items():
            _require_shape(name, getattr(self, name), expected, self.source)
        if not made and not np.array_equal(forward_tangent(self.direction_deg), self.tangent, equal_nan=True):
            raise GridError(
                f"{self.source}: tangent and direction_deg disagree. With a new tangent give None.",
                path=self.source,
            )
        for name, array in self.extra.items():
            _require_extra(name, array, count, self.source)
        for what, names, codes in (
            ("channel", self.channel_names, self.channel),
            ("colour", self.colour_names, self.colour),
        ):
            _require_names(what, names, codes, self.row, self.source)

    def __len__(self) -> int:
        return len(self.channel)

    def __repr__(self) -> str:
        pupil = self.pupil_mm[self.finite]
        box = (
            ", ".join(f"{low:.4g} to {high:.4g}" for low, high in extent(pupil).T)
            if len(pupil)
            else "unknown"
        )
        return (
            f"Grid '{self.source}': {len(self)} samples ({len(self) - len(pupil)} not finite); channels "
            f"{', '.join(self.channel_names)}; colours {', '.join(self.colour_names)}; "
            f"{len(np.unique(pupil, axis=0))} pupil positions, x, y, z {box} mm"
        )

    @property
    def finite(self) -> np.ndarray:
        """Return (n,) bool: pupil, direction and panel point are all finite numbers."""
        return finite_rows(self.pupil_mm, self.tangent, self.pixel)

    @property
    def reference_colour(self) -> str:
        """Return the colour that others are told by: green where there is one, else the middle one."""
        names = self.colour_names
        return next((name for name in REFERENCE_COLOURS if name in names), names[len(names) // 2])

    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Return the (channel, colour) names that have samples, channels first, in the order of the names."""
        present = np.zeros((len(self.channel_names), len(self.colour_names)), dtype=bool)
        present[self.channel, self.colour] = True
        return tuple((self.channel_names[c], self.colour_names[k]) for c, k in np.argwhere(present))

    def rows_of(self, channel: str, colour: str, /) -> np.ndarray:
        """Return (n,) bool: the samples of one channel and colour, a pair of `pairs`."""
        mine: np.ndarray = (self.channel == self.channel_names.index(channel)) & (
            self.colour == self.colour_names.index(colour)
        )
        return mine

    def select(self, *, channel: str | None = None, colour: str | None = None) -> "Grid":
        """Return the samples of one channel, one colour or both; their names alone remain.

        Raises
        ------
        GridError
            No such channel or colour (the nearest name is given), or no sample of both.
        """
        keep = np.ones(len(self), dtype=bool)
        if channel is not None:
            keep &= self.channel == require_known(channel, self.channel_names, "channel", self.source)
        if colour is not None:
            keep &= self.colour == require_known(colour, self.colour_names, "colour", self.source)
        if not keep.any():
            raise GridError(
                f"{self.source}: channel '{channel}' has no sample of colour '{colour}'.", path=self.source
            )
        return self.take(keep)

    def take(self, index: np.ndarray, /) -> "Grid":
        """Return the samples at `index` (bool mask or integer array); row numbers stay those of the file."""
        if index.dtype == bool:
            index = np.flatnonzero(index)
        channel, channel_names = _narrowed(self.channel[index], self.channel_names)
        colour, colour_names = _narrowed(self.colour[index], self.colour_names)
        return Grid(
            channel=channel,
            channel_names=channel_names,
            colour=colour,
            colour_names=colour_names,
            pupil_mm=self.pupil_mm.take(index, axis=0),
            tangent=self.tangent.take(index, axis=0),
            pixel=self.pixel.take(index, axis=0),
            luminance=None if self.luminance is None else self.luminance[index],
            sigma_px=None if self.sigma_px is None else self.sigma_px[index],
            extra={name: array[index] for name, array in self.extra.items()},
            row=self.row[index],
            source=self.source,
            sha256=self.sha256,
            direction_deg=self.direction_deg.take(index, axis=0),
        )


def grid_from_samples(
    *,
    channel: str | ArrayLike,
    colour: str | ArrayLike,
    pupil_mm: ArrayLike,
    tangent: ArrayLike,
    pixel: ArrayLike,
    luminance: ArrayLike | None = None,
    sigma_px: ArrayLike | None = None,
    extra: Mapping[str, ArrayLike] | None = None,
    source: str = "memory",
) -> Grid:
    """Make a grid from arrays whose leading axes broadcast together; samples follow in C order.

    Parameters
    ----------
    channel, colour : str or (...) array of str
        Names; one name serves all samples.
    pupil_mm : (..., 3) array
        mm from the eye-box centre.
    tangent : (..., 2) array
        Viewing direction (tx, ty), tangents.
    pixel : (..., 2) array
        Panel point (u, v), px.
    luminance, sigma_px : (...) array, optional
        Relative luminance, linear; standard uncertainty, panel px.
    extra : mapping of str to (...) array, optional
        Further columns: numbers or text.
    source : str
        Name for messages.

    Raises
    ------
    ShapeError
        Axes do not broadcast or the last axis is wrong.
    GridError
        A name is empty, too long or unprintable; no samples.
    """
    channel, colour = np.asarray(channel), np.asarray(colour)
    for what, names in (("channel", channel), ("colour", colour)):
        if names.dtype.kind != "U":
            raise ShapeError(f"{what} holds {names.dtype}; expected names (text).")
    vectors = [as_pupil(pupil_mm), as_tangent(tangent), as_pixel(pixel)]
    given = {"luminance": luminance, "sigma_px": sigma_px, **(extra or {})}
    scalars = {name: np.asarray(value) for name, value in given.items() if value is not None}
    try:
        leading = np.broadcast_shapes(
            channel.shape,
            colour.shape,
            *(v.shape[:-1] for v in vectors),
            *(s.shape for s in scalars.values()),
        )
    except ValueError as cause:
        found = ", ".join(str(v.shape) for v in (channel, colour, *vectors, *scalars.values()))
        raise ShapeError(f"leading axes of the samples do not broadcast together: {found}.") from cause
    # Copies, so that later changes to the caller's arrays do not reach the grid.
    pupil, direction, point = (
        np.broadcast_to(v, (*leading, v.shape[-1])).reshape(-1, v.shape[-1]).copy() for v in vectors
    )
    scalars = {name: np.broadcast_to(value, leading).reshape(-1).copy() for name, value in scalars.items()}
    for name in ("luminance", "sigma_px"):
        if name in scalars:
            scalars[name] = scalars[name].astype(np.float64)
    channel_codes, channel_names = codes_from_names(np.broadcast_to(channel, leading).reshape(-1))
    colour_codes, colour_names = codes_from_names(np.broadcast_to(colour, leading).reshape(-1))
    return Grid(
        channel=channel_codes,
        channel_names=channel_names,
        colour=colour_codes,
        colour_names=colour_names,
        pupil_mm=pupil,
        tangent=direction,
        pixel=point,
        luminance=scalars.pop("luminance", None),
        sigma_px=scalars.pop("sigma_px", None),
        extra=scalars,
        source=source,
    )


def forward_tangent(direction_deg: FloatArray) -> FloatArray:
    """Return tangents of angles; NaN from 90 degrees on, where a tangent looks plausible and is wrong."""
    forward = np.abs(direction_deg) < 90.0
    return np.where(forward, tangent_from_degrees(np.where(forward, direction_deg, 0.0)), np.nan)


def _narrowed(codes: IntArray, names: tuple[str, ...]) -> tuple[IntArray, tuple[str, ...]]:
    present = np.zeros(len(names), dtype=bool)
    present[codes] = True
    new_codes = (np.cumsum(present) - 1).astype(codes.dtype)
    return new_codes[codes], tuple(name for name, there in zip(names, present, strict=True) if there)


def _require_shape(name: str, array: np.ndarray, expected: tuple[int, ...], source: str) -> None:
    if np.shape(array) != expected:
        raise GridError(f"{source}: {name} has shape {np.shape(array)}; expected {expected}.", path=source)


def _require_extra(name: str, array: np.ndarray, count: int, source: str) -> None:
    if name in GRID_SCHEMA.known:
        raise GridError(
            f"{source}: extra column '{name}' has the name of a grid column. Rename it.", path=source
        )
    if not name or len(name) > LIMIT_NAME or not name.isprintable():
        raise GridError(f"{source}: extra column {name[:20]!r} has no usable name. Rename it.", path=source)
    _require_shape(f"column '{name}'", array, (count,), source)
    if array.dtype.kind not in _EXTRA_KINDS:
        raise GridError(
            f"{source}: column '{name}' holds {array.dtype}; expected numbers or text. Convert or remove it.",
            path=source,
            column=name,
        )


def _require_names(what: str, names: Sequence[str], codes: IntArray, row: IntArray, source: str) -> None:
    if not 1 <= len(names) <= LIMIT_GROUPS:
        raise GridError(f"{source}: {len(names)} {what}s; expected 1 to {LIMIT_GROUPS}.", path=source)
    if codes.min() < 0 or codes.max() >= len(names):
        raise GridError(
            f"{source}: {what} code {codes.max()} has no name; there are {len(names)}.", path=source
        )
    for code, name in enumerate(names):
        if not name.strip() or len(name) > LIMIT_NAME or not name.isprintable():
            rows = row[codes == code]
            raise GridError(
                f"{source}, {row_list(rows)}: {what} is {name[:20]!r}; expected a name of 1 to {LIMIT_NAME} "
                "printable characters. Fill it in.",
                path=source,
                row=int(rows[0]) if len(rows) else None,
                column=what,
            )
