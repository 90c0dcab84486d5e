"""A lookup evaluated as a device does at the truth's pupils and points: whatever asks, each is done once."""

from dataclasses import dataclass, field
from functools import cached_property

from prewarp.checks import BoolArray, FloatArray
from prewarp.export.package_reading import Package
from prewarp.export.truth import KIND as TRUTH
from prewarp.export.truth import Truth, read_truth
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.lookup.device import Float32Array, PreparedMap
from prewarp.lookup.device_light import PreparedLight
from prewarp.lookup.tables import Lookup

# Kind of the manifest's entry.
KIND = "lookup blob"


@dataclass(frozen=True, eq=False)
class LookupAtTruth:
    """A lookup and the truth it is held to. `place` is that of a map, `number` that of a pupil position."""

    lookup: Lookup
    truth: Truth
    _tangents: dict[tuple[int, int], Float32Array] = field(default_factory=dict, repr=False)
    _shares: dict[tuple[int, int], tuple[BoolArray, Float32Array]] = field(default_factory=dict, repr=False)

    @cached_property
    def lights(self) -> tuple[PreparedLight, ...]:
        """The lookup for every pupil position."""
        return tuple(PreparedLight(self.lookup, pupil) for pupil in self.truth.pupils_mm)

    def map(self, place: int, number: int, /) -> PreparedMap:
        """Return a map for a pupil position."""
        return self.lights[number].maps[place]

    def tangent(self, place: int, number: int, /) -> Float32Array:
        """Return the directions (n, 2) that the device has for the truth's panel points."""
        key = place, number
        if key not in self._tangents:
            channel, _ = self.lookup.key_of(self.lookup.maps[place])
            self._tangents[key] = self.map(place, number).direction_from_panel(self.truth.pixel[channel])
        return self._tangents[key]

    def px_error(self, place: int, number: int, /) -> FloatArray:
        """Return how far these are off (n,), panel px."""
        key = self.lookup.key_of(self.lookup.maps[place])
        return self.truth.px_error(*key, self.tangent(place, number), number)

    def lit_and_weights(self, place: int, number: int, /) -> tuple[BoolArray, Float32Array]:
        """Return what is lit, and weights, (channels, n), in the truth's directions."""
        key = place, number
        if key not in self._shares:
            points = self.truth.maps[self.lookup.key_of(self.lookup.maps[place])]
            self._shares[key] = self.lights[number].lit_and_weights(points.tangent[number])
        return self._shares[key]


def truth_in(package: Package, /) -> Truth:
    """Return the truth of a package, read once.

    Raises
    ------
    PackageError
        It is damaged.
    """
    if TRUTH not in package.kept:
        (entry,) = package.entries(TRUTH)
        # The hash is checked before anything is unpacked.
        package.data(entry)
        package.kept[TRUTH] = read_truth(package.path(entry), package.channels, package.colours)
    found: Truth = package.kept[TRUTH]
    return found


def lookup_in(package: Package, /) -> LookupAtTruth | None:
    """Return the lookup of a package at its truth, read once; None where it holds none.

    Raises
    ------
    PackageError
        One of both is damaged.
    """
    entries = package.entries(KIND)
    if not entries:
        return None
    if KIND not in package.kept:
        lookup = lookup_from_blob(package.data(entries[0]), source=str(entries[0]["path"]))
        package.kept[KIND] = LookupAtTruth(lookup, truth_in(package))
    found: LookupAtTruth = package.kept[KIND]
    return found
