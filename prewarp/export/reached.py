"""Errors that artefacts reach, held to the truth, when they are about to be written and when read back."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.export.truth import Truth
from prewarp.lattice import SplineLattice


@dataclass(frozen=True)
class Reached:
    """Errors of one kind of artefact for a channel and colour, None where it has no such.

    `px`: largest, panel px. `weight`, `weight_rms`: of the drive, largest and root mean square, share of
    linear light. Blend weights have kinks where outlines cross: there the largest is large however good the
    table, the RMS is not.
    """

    kind: str
    channel: str
    colour: str
    px: float | None
    weight: float | None = None
    weight_rms: float | None = None

    def as_dict(self) -> dict[str, object]:
        """Return it for the manifest."""
        return {
            "kind": self.kind,
            "channel": self.channel,
            "color": self.colour,
            "largest_error_px": self.px,
            "largest_weight_error": self.weight,
            "rms_weight_error": self.weight_rms,
        }


class Tally:
    """Keeps the worst of every kind, channel and colour."""

    def __init__(self, reached: Iterable[Reached] = (), /) -> None:
        self._worst: dict[tuple[str, str, str], Reached] = {}
        self.extend(reached)

    def add(self, one: Reached, /) -> None:
        """Take one more measurement."""
        key = one.kind, one.channel, one.colour
        before = self._worst.get(key, Reached(*key, None))
        self._worst[key] = Reached(
            *key,
            _larger(before.px, one.px),
            _larger(before.weight, one.weight),
            _larger(before.weight_rms, one.weight_rms),
        )

    def extend(self, reached: Iterable[Reached], /) -> None:
        """Take several."""
        for one in reached:
            self.add(one)

    def __iter__(self) -> Iterator[Reached]:
        return iter(self._worst.values())


@dataclass(frozen=True)
class Held:
    """What a map is held to: the truth for one channel, colour and mesh pupil; `kind` names the artefact."""

    kind: str
    truth: Truth
    content: ContentProjection
    channel: str
    colour: str
    pupil: int

    def reached(self, tangent: FloatArray, weight: FloatArray, /, *, gains: bool = False) -> Reached:
        """Return the errors of directions (n, 2) and drives (n,), or gains, at the truth's panel points."""
        px = self.truth.px_error(self.channel, self.colour, tangent, self.pupil).max()
        own = self.truth.maps[self.channel, self.colour]
        wanted = (own.gain if gains else own.weight)[self.pupil]
        return Reached(self.kind, self.channel, self.colour, float(px), *weight_errors(weight - wanted))

    def spline(self, spline: SplineLattice, /, *, gains: bool = False) -> Reached:
        """Return the errors of a map of content u, v, px, and weight, or gain, over the panel."""
        return self.values(spline.at(self.truth.pixel[self.channel]), gains=gains)

    def values(self, value: FloatArray, /, *, gains: bool = False) -> Reached:
        """Return the errors of content u, v, px, and weight or gain (n, 3) at the truth's panel points."""
        return self.reached(self.content.tangent_from_pixel(value[..., :2]), value[..., 2], gains=gains)

    def triangles(self, nodes: FloatArray, panel_size_px: tuple[int, int], /) -> Reached:
        """Return the errors of a mesh (rows, columns, 3) of tx, ty, weight, edge to edge, as triangles."""
        value = on_triangles(nodes, self.truth.pixel[self.channel] / np.asarray(panel_size_px))
        return self.reached(value[..., :2], value[..., 2])


def weight_errors(difference: FloatArray, /) -> tuple[float, float]:
    """Return the largest and the RMS of differences; what is not a number counts as infinite."""
    size = np.where(np.isfinite(difference), np.abs(difference), np.inf)
    return float(size.max()), float(np.sqrt(np.mean(size**2)))


def on_triangles(nodes: FloatArray, place: FloatArray, /) -> FloatArray:
    """Return values (n, k) of nodes (rows, columns, k), linear on triangles, at places (n, 2) on 0 to 1.

    Every cell is cut from its first node (lowest row and column) to the opposite one.
    """
    rows, columns = nodes.shape[:2]
    u, v = place[:, 0] * (columns - 1), place[:, 1] * (rows - 1)
    c = np.clip(np.floor(u).astype(int), 0, columns - 2)
    r = np.clip(np.floor(v).astype(int), 0, rows - 2)
    a, b = (u - c)[:, None], (v - r)[:, None]
    first, across, down, opposite = nodes[r, c], nodes[r, c + 1], nodes[r + 1, c], nodes[r + 1, c + 1]
    upper = first + a * (across - first) + b * (opposite - across)
    lower = first + b * (down - first) + a * (opposite - down)
    return np.asarray(np.where(a >= b, upper, lower))


def _larger(one: float | None, other: float | None) -> float | None:
    known = [value for value in (one, other) if value is not None]
    return max(known) if known else None
