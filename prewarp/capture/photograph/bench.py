"""The bench of a simulated capture: what is wrong with camera, stage, display and room.

TOML; every key may be left out, and then that fault is not there::

    seed = 1                  # of everything that is drawn by lot
    white_per_ms = 0.05       # fraction of full scale that the white panel gives in a ms; left out: 0.7 at
                              # the plan's shortest exposure
    focus_dioptres = 0.5      # for which distance it is focused; left out: that of the panels' middles
    blur_px = 0.6             # standard deviation of a Gaussian; 0.35 or more, so that pixels sample it well
    coma_px = 0.0             # length of dots' tails at the sensor's corner; centroids stay
    shake_px = [0.0, 0.0]     # the camera moves evenly by so much while it exposes
    vignetting = 0.0          # fraction of the light that the lens loses at the sensor's corner
    stray_level = 0.0         # light of the room, fraction of full scale per ms of exposure
    stray_fraction = 0.0      # fraction of a picture's light that is spread evenly over the photograph
    full_well_e = 0.0         # electrons at full scale; 0: no shot noise
    read_noise_e = 0.0        # needs full_well_e
    hot_pixels = 0            # as many, each with up to hot_per_ms of full scale
    hot_per_ms = 0.002
    dead_columns = []         # x of columns that always give black
    drift_px = [0.0, 0.0]     # how far the picture moves from the first to the last photograph of a pose
    stage_mm = 0.0            # standard deviation of the place of a pose, each axis
    stage_scale = 1.0         # true length of a millimetre of the stage
    turn_arcmin = 0.0         # standard deviation of the turn of a pose, each axis
    afterglow = 0.0           # fraction of the picture before that still shines
    persistence_frames = 1.0  # how long a line of a panel gives light, in frames; lines follow each other
    dust_specks = 0           # opaque discs on each panel, by lot
    dust_radius_px = [3.0, 12.0]
    [lateral_color]           # the camera lens: magnification less 1, by colour
    R = 1e-4
    [[ghost]]                 # a second picture of the panel
    strength = 0.05
    shift_px = [78.0, 0.0]    # panel px, of the point that shines through another's place
    scale = 1.0               # about the panel's middle; negative: upside down
    blur_px = 0.0             # standard deviation on top of blur_px, px of the photograph
    [[hair]]                  # dark line on a panel
    from_px = [0.0, 900.0]
    to_px = [2560.0, 1200.0]
    width_px = 12.0
    [[hidden]]                # dark rectangle on a panel
    from_px = [0.0, 0.0]
    to_px = [300.0, 300.0]

A ghost, hair or hidden part with `channel = "inner"` is on that channel's panel alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import CaptureError
from prewarp.records import Name, Number, Numbers, Table, checked, read_toml, validate

MOST_ENTRIES = 100
_FRACTION = Number(0.0, 1.0)
_PLACE = Numbers(Number(-1e5, 1e5, "px"), 2, 2)
_STEP = Numbers(Number(-1000.0, 1000.0, "px"), 2, 2)
_NONE = (0.0, 0.0)
# Below, pixels sample a dot so coarsely that its centroid moves with where it lies on them.
LEAST_BLUR_PX = 0.35


@dataclass(frozen=True)
class Ghost:
    """A second picture of the panel; entries as in the module docstring."""

    strength: float = checked(_FRACTION)
    shift_px: tuple[float, float] = checked(_PLACE, default=_NONE)
    scale: float = checked(Number(-10.0, 10.0), default=1.0)
    blur_px: float = checked(Number(0.0, 50.0, "px"), default=0.0)
    channel: str | None = checked(Name(), default=None)

    def __post_init__(self) -> None:
        validate(self, CaptureError)
        if abs(self.scale) < 0.01:
            raise CaptureError(
                f"scale is {self.scale:g}; expected 0.01 or more, or -0.01 or less.", key="scale"
            )

    def moved(self, pixel: FloatArray, size_px: tuple[int, int], /) -> FloatArray:
        """Return the panel points (..., 2) in whose places points (..., 2) are seen again."""
        middle = np.array(size_px) / 2.0
        moved: FloatArray = middle + self.scale * (pixel - middle) + np.array(self.shift_px)
        return moved

    def source(self, pixel: FloatArray, size_px: tuple[int, int], /) -> FloatArray:
        """Return which panel points are seen again in the places of points (..., 2); inverse of `moved`."""
        middle = np.array(size_px) / 2.0
        source: FloatArray = middle + (pixel - middle - np.array(self.shift_px)) / self.scale
        return source


@dataclass(frozen=True)
class Hair:
    """A dark line on a panel, from one point to another."""

    from_px: tuple[float, float] = checked(_PLACE)
    to_px: tuple[float, float] = checked(_PLACE)
    width_px: float = checked(Number(0.1, 1e4, "px"))
    channel: str | None = checked(Name(), default=None)

    def __post_init__(self) -> None:
        validate(self, CaptureError)

    def covers(self, pixel: FloatArray, /) -> BoolArray:
        """Return which panel points (..., 2) it hides."""
        start, along = np.array(self.from_px), np.subtract(self.to_px, self.from_px)
        squared = max(float(along @ along), 1e-12)
        share = np.clip((pixel - start) @ along / squared, 0.0, 1.0)
        off = pixel - start - share[..., None] * along
        hidden: BoolArray = np.hypot(off[..., 0], off[..., 1]) <= self.width_px / 2.0
        return hidden


@dataclass(frozen=True)
class Hidden:
    """A dark rectangle on a panel, between two corners."""

    from_px: tuple[float, float] = checked(_PLACE)
    to_px: tuple[float, float] = checked(_PLACE)
    channel: str | None = checked(Name(), default=None)

    def __post_init__(self) -> None:
        validate(self, CaptureError)

    def covers(self, pixel: FloatArray, /) -> BoolArray:
        """Return which panel points (..., 2) it hides."""
        low, high = np.minimum(self.from_px, self.to_px), np.maximum(self.from_px, self.to_px)
        hidden: BoolArray = np.all((pixel >= low) & (pixel <= high), axis=-1)
        return hidden


@dataclass(frozen=True)
class Bench:
    """What is wrong with a simulated bench; entries as in the module docstring.

    Raises
    ------
    CaptureError
        An entry is out of range; blur below what pixels can sample; read noise without a full well.
    """

    seed: int = checked(Number(0, 2**31, whole=True), default=1)
    white_per_ms: float | None = checked(Number(1e-9, 1e6), default=None)
    focus_dioptres: float | None = checked(Number(-20.0, 20.0, "dioptres"), default=None)
    blur_px: float = checked(Number(LEAST_BLUR_PX, 50.0, "px"), default=0.6)
    coma_px: float = checked(Number(0.0, 20.0, "px"), default=0.0)
    shake_px: tuple[float, float] = checked(_STEP, default=_NONE)
    vignetting: float = checked(Number(0.0, 0.999), default=0.0)
    stray_level: float = checked(_FRACTION, default=0.0)
    stray_fraction: float = checked(_FRACTION, default=0.0)
    full_well_e: float = checked(Number(0.0, 1e7, "electrons"), default=0.0)
    read_noise_e: float = checked(Number(0.0, 1e5, "electrons"), default=0.0)
    hot_pixels: int = checked(Number(0, 100_000, whole=True), default=0)
    hot_per_ms: float = checked(_FRACTION, default=0.002)
    dead_columns: tuple[int, ...] = checked(
        Numbers(Number(0, 32767, whole=True), 0, MOST_ENTRIES), default=()
    )
    drift_px: tuple[float, float] = checked(_STEP, default=_NONE)
    stage_mm: float = checked(Number(0.0, 10.0, "mm"), default=0.0)
    stage_scale: float = checked(Number(0.5, 2.0), default=1.0)
    turn_arcmin: float = checked(Number(0.0, 600.0, "arcmin"), default=0.0)
    afterglow: float = checked(_FRACTION, default=0.0)
    persistence_frames: float = checked(Number(1e-4, 1.0, "frames"), default=1.0)
    dust_specks: int = checked(Number(0, 10_000, whole=True), default=0)
    dust_radius_px: tuple[float, float] = checked(
        Numbers(Number(0.1, 1000.0, "px"), 2, 2), default=(3.0, 12.0)
    )
    lateral_colour: Mapping[str, float] = field(default_factory=dict)
    ghosts: tuple[Ghost, ...] = ()
    hairs: tuple[Hair, ...] = ()
    hidden: tuple[Hidden, ...] = ()

    def __post_init__(self) -> None:
        validate(self, CaptureError)
        if self.read_noise_e > 0.0 and self.full_well_e == 0.0:
            raise CaptureError(
                "read_noise_e is given without full_well_e; expected both, or neither.", key="full_well_e"
            )

    def magnification(self, colour: str, /) -> float:
        """Return the camera lens's magnification in a colour, over that of its file."""
        return 1.0 + self.lateral_colour.get(colour, 0.0)

    def ghosts_of(self, channel: str, /) -> tuple[Ghost, ...]:
        """Return the ghosts of a channel's panel."""
        return tuple(one for one in self.ghosts if one.channel in (None, channel))

    def free(self, channel: str, size_px: tuple[int, int], /) -> BoolArray | None:
        """Return which pixels (rows, columns) of a panel nothing hides, by their middles; None: all."""
        every: tuple[Hair | Hidden, ...] = (*self.hairs, *self.hidden)
        covers = [one for one in every if one.channel in (None, channel)]
        if not covers and not self.dust_specks:
            return None
        width, height = size_px
        free = np.ones((height, width), dtype=bool)
        if covers:
            pixel = np.stack(np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5), axis=-1)
            for cover in covers:
                free &= ~cover.covers(pixel)
        for (u, v), radius in self._dust(channel, size_px):
            columns, rows = (np.arange(max(int(x - radius), 0), int(x + radius) + 2) for x in (u, v))
            columns, rows = columns[columns < width], rows[rows < height]
            off = np.hypot(columns + 0.5 - u, (rows + 0.5 - v)[:, None])
            free[np.ix_(rows, columns)] &= off > radius
        return free

    def _dust(self, channel: str, size_px: tuple[int, int]) -> list[tuple[FloatArray, float]]:
        random = self.random("dust", channel)
        place = random.uniform(0.0, 1.0, (self.dust_specks, 2)) * size_px
        radius = random.uniform(min(self.dust_radius_px), max(self.dust_radius_px), self.dust_specks)
        return list(zip(place, radius.tolist(), strict=True))

    def seeded(self, seed: int, /) -> "Bench":
        """Return the same bench with another seed."""
        return replace(self, seed=seed)

    def random(self, *what: str | int) -> np.random.Generator:
        """Return the generator of one thing that is drawn by lot: the same for the same seed and words."""
        words = [int.from_bytes(str(one).encode("utf-8")[:32].ljust(32, b"\0"), "little") for one in what]
        return np.random.default_rng([self.seed, *(part for word in words for part in _parts(word))])


def _parts(word: int) -> list[int]:
    return [(word >> shift) & 0xFFFFFFFF for shift in range(0, 256, 32)]


def read_bench(path: Path | str, /) -> Bench:
    """Read a bench file.

    Raises
    ------
    InputFileError
        The file is missing, larger than 1 MiB or not UTF-8.
    CaptureError
        Its content is wrong; the message names file, full key and what is accepted.
    """
    top = read_toml(Path(path), what="a bench (TOML)", error=CaptureError)
    lists = {
        name: tuple(entry.read(kind) for entry in top.listed_tables(key, most=MOST_ENTRIES))
        for name, key, kind in (
            ("ghosts", "ghost", Ghost),
            ("hairs", "hair", Hair),
            ("hidden", "hidden", Hidden),
        )
        if key in top.values
    }
    top.rename("stray_fraction", "stray_share")
    return top.read(Bench, lateral_colour=_lateral_colour(top), **lists)


def _lateral_colour(top: Table) -> dict[str, float]:
    key = top.spelt("lateral_color", "lateral_colour")
    if key not in top.values:
        return {}
    table = top.table(key)
    return {table.checked_name(name): table.entry(name, Number(-0.1, 0.1)) for name in table.values}
