"""Pupil functions that no captured position shows, with the size that they may have.

A fit ties them to rounder ones (`support`). Of a function that is tied only a part is unknown: what it is off
its tie, which vanishes at every captured position and shows between and beyond them.

Its size is judged by a partner that the positions do show, of the same degree. Of an optical system with an
axis the wavefront holds h^m r^n cos(m (a - b)), with powers m and above of the field h (H. H. Hopkins, Wave
Theory of Aberrations, 1950, from memory), and m - 1 and above where the axis stands beside the middle of the
panel. A partner of as many turns differs in phase alone, so its size follows, if the partner says where the
axis stands. The nearest in roundness says less: of its panel degrees m - 1 and above it is `TIED`.

Where a fit has all that the positions show, the roundest functions of the next degree are unknown too. Of
aberrations of one order in field and pupil together, two degrees more over the pupil come with two less over
the panel: r^4 has `NEXT` of the size of what varies over the panel in r^2, as in |r + h|^4, the aberration of
a sphere away from its axis. From the fourth degree on it falls besides as the roundest one degree below did.

These are sizes of optics as such; of any one they may be three times off. True errors beside what is said,
over twelve optics together and one by one: `tests.long.certainty`.
"""

import numpy as np

from prewarp.chebyshev import count_of_degree, values_2d
from prewarp.checks import FloatArray
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.samples import Samples
from prewarp.fitting.support import WaveColumn, wave_columns
from prewarp.pupils.shown import motions_shown

NODES = 9
# A function counts as shown by the columns of a fit where less than this share of it is off them.
SAME = 1e-6
# Root mean square over many optics of what is tied beside its rounder partner, of unit lengths; (h . r)^3 has
# a third. Amplitudes of r^n beside r^(n - 2) h^2.
TIED, NEXT = 0.4, 0.25
# Where the axis of an optical system may stand beside the middle of the panel, in halves of its longer side.
AXES = np.add.outer(np.linspace(-4.0, 4.0, 17), 1j * np.linspace(-4.0, 4.0, 17)).ravel()


def unseen_functions(samples: Samples, expansion: Expansion, /) -> FloatArray:
    """Return the unknown parts of what the positions do not show, (m, count, 2), 1-sigma each.

    In the scalar pupil basis; direction cosines. Up to the fit's own pupil degree; of the next degree too
    where the fit has all that the positions show, and they show every motion.
    """
    degree = expansion.pupil_degree
    table = samples.pupil.up_to(degree)
    has_all = degree == samples.pupil.degree and len(motions_shown(samples.positions)) == 2
    count = count_of_degree(degree + has_all)
    columns = np.stack([table.x, table.y], axis=-1)
    columns = np.pad(columns, ((0, 0), (0, count - columns.shape[1]), (0, 0)))
    known = columns[~table.is_curl]
    held = _Held(samples, expansion, known, columns[table.is_curl])
    found = []
    for order in range(1, degree + 1 + has_all):
        waves = wave_columns(samples.frame, order)
        for place, wave in enumerate(_roundest(waves) if order > degree else waves):
            size = held.size_of_unknown(order, place)
            if size > 0.0:
                found.append(size * _off_the_tie(samples, _padded(wave, count), known))
    return np.array(found).reshape(-1, count, 2)


def _roundest(waves: list[WaveColumn]) -> list[WaveColumn]:
    """Return the functions of one degree with the fewest turns: they come first."""
    return [wave for wave in waves if wave.turns == waves[0].turns]


def _padded(wave: WaveColumn, count: int) -> FloatArray:
    return np.stack([np.pad(part, (0, count - len(part))) for part in (wave.x, wave.y)], axis=-1)


def _is_held(function: FloatArray, known: FloatArray) -> bool:
    """Return whether a function (count, 2) is a mixture of the known ones (k, count, 2)."""
    flat = known.reshape(len(known), -1)
    rest = function.ravel() - flat.T @ np.linalg.lstsq(flat.T, function.ravel(), rcond=None)[0]
    return bool(np.linalg.norm(rest) < SAME * np.linalg.norm(function))


def _off_the_tie(samples: Samples, function: FloatArray, known: FloatArray) -> FloatArray:
    """Return what a function (count, 2) has beyond the known ones that look like it at the positions."""
    references = samples.positions.reference_mm().reshape(-1, 2)
    degree = 0
    while count_of_degree(degree) < len(function):
        degree += 1
    scalar = samples.frame.values(references, degree)
    design = np.einsum("kjc,jn->cnk", known, scalar).reshape(-1, len(known))
    wanted = np.einsum("jc,jn->cn", function, scalar).ravel()
    mixture = np.linalg.lstsq(design, wanted, rcond=1e-9)[0]
    result: FloatArray = function - np.einsum("k,kjc->jc", mixture, known)
    return result


class _Held:
    """Functions that a fit holds, and the RMS sizes of their coefficients over the panel.

    `waves` the functions of each degree over the pupil, `shown` the places of those that the fit holds.
    """

    def __init__(self, samples: Samples, expansion: Expansion, known: FloatArray, curl: FloatArray) -> None:
        count, degree = known.shape[1], expansion.pupil_degree
        self._frame = samples.frame
        self.waves = [wave_columns(samples.frame, order) for order in range(degree + 1)]
        padded = [[_padded(wave, count) for wave in waves] for waves in self.waves]
        self.shown = [[place for place, wave in enumerate(own) if _is_held(wave, known)] for own in padded]
        self._places = [(order, place) for order, own in enumerate(self.shown) for place in own]
        held = np.array([padded[order][place] for order, place in self._places])
        flat = np.concatenate([held, curl]).reshape(-1, 2 * count)
        low, high = samples.pixel.min(axis=0), samples.pixel.max(axis=0)
        nodes = (np.linspace(a, b, NODES) for a, b in zip(low, high, strict=True))
        pixel = np.stack(np.meshgrid(*nodes), axis=-1).reshape(-1, 2)
        inner = expansion.panel.sums(pixel, expansion.coefficients)
        values = np.zeros((count, 2, len(pixel)))
        values[: inner.shape[1]] = np.moveaxis(inner, 0, 1)
        self._coefficient = np.linalg.lstsq(flat.T, values.reshape(2 * count, -1), rcond=1e-9)[0]
        away = pixel - (low + high) / 2.0
        self._field = (away[:, 0] + 1j * away[:, 1]) / np.abs(away).max()
        self._place = (2.0 * (pixel - low) / np.maximum(high - low, 1e-9) - 1.0).T

    def size(self, order: int, place: int, lowest: int = 0) -> float:
        """Return the size of a function's coefficient, of its panel degrees `lowest` and above."""
        values = self._values(order, place)
        if lowest > 0:
            lower = values_2d(self._place[0], self._place[1], lowest - 1).T
            values = values - lower @ np.linalg.lstsq(lower, values, rcond=None)[0]
        return float(np.sqrt(np.mean(values**2)))

    def _values(self, order: int, place: int) -> FloatArray:
        """Return a function's coefficient over the panel (nodes,)."""
        result: FloatArray = self._coefficient[self._places.index((order, place))]
        return result

    def size_of_unknown(self, order: int, place: int) -> float:
        """Return the size that a function which is not held may have; 0 for one that is, or where none is."""
        waves = self.waves[order] if order < len(self.waves) else wave_columns(self._frame, order)
        shown = self.shown[order] if order < len(self.waves) else []
        if place in shown or (order < len(self.waves) and not shown):
            return 0.0
        turns = waves[place].turns
        rounder = [one for one in shown if waves[one].turns <= turns]
        if rounder:
            partner = max(rounder, key=lambda one: waves[one].turns)
            if waves[partner].turns == turns:
                return self.size(order, partner) * self._other_phase(order, partner, waves[place])
            return TIED * self.size(order, partner, turns - 1)
        before = self._same_turns(order - 2, turns, turns + 1)
        if before == 0.0:
            return 0.0
        length = next(wave.length for wave in self.waves[order - 2] if wave.turns == turns)
        return NEXT * before * waves[place].length / length * self._fall(order - 1)

    def _other_phase(self, order: int, partner: int, wave: WaveColumn) -> float:
        """Return how large a function is beside the partner that differs from it in phase alone.

        About an axis their coefficients are h^m cos(m b) and h^m sin(m b), b the angle of the field h; where
        the axis stands is where the partner's coefficient says it best.
        """
        shown, values = self.waves[order][partner], self._values(order, partner)
        powers = (self._field[:, None] + AXES) ** wave.turns
        cosine, sine = powers.real, powers.imag
        own, other = (sine, cosine) if shown.is_sine else (cosine, sine)
        axis = np.argmax((values @ own) ** 2 / np.sum(own**2, axis=0))
        return float(
            wave.length / shown.length * np.sqrt(np.sum(other[:, axis] ** 2) / np.sum(own[:, axis] ** 2))
        )

    def _fall(self, order: int) -> float:
        """Return how the roundest of a degree fell from what varied over the panel two degrees before.

        1 where they are not shown, or do not fall.
        """
        turns = (order + 1) % 2
        newer, older = self._same_turns(order, turns), self._same_turns(order - 2, turns, turns + 1)
        return newer / older if order > 2 and 0.0 < newer < older else 1.0

    def _same_turns(self, order: int, turns: int, lowest: int = 0) -> float:
        """Return the size of a degree's functions of so many turns; 0 where none is held."""
        if order < 0:
            return 0.0
        places = [place for place in self.shown[order] if self.waves[order][place].turns == turns]
        return max((self.size(order, place, lowest) for place in places), default=0.0)
