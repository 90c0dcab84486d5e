"""A family of units: the nominal field of every channel and colour, and modes, by which units differ.

q = q_0 + sum_k c_k q_k + what a sum does not tell, direction cosines; c are independent, of mean 0 and
1-sigma 1: the coefficients of a unit are in prior sigmas. There are two kinds:

- from a design (`prewarp.line.from_design`): a mode for every tolerance, by finite differences of the trace;
  all are kept with their priors. The sum of modes is where a search starts, and the slope by which it goes
  on; what a unit shows is told by the trace of the design with its numbers moved (`prewarp.line.moved`);
- from fits of earlier units (`prewarp.line.from_fits`): the nominal field is their mean, modes are directions
  in which they differ, and motions that all channels share. There is nothing to trace: the sum is the unit,
  and what it leaves is counted with its variance (`Learned`).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, IntArray
from prewarp.errors import LineError
from prewarp.fitting.expansion import Expansion
from prewarp.line.basis import FamilyBasis
from prewarp.line.tracing import RayLattice
from prewarp.trace import FIGURE_TERMS, Departure, Design, DesignChannel, built_design, departures
from prewarp.trace.figure import MAX_TERMS

# By so much the figure of a surface is moved to see what a term does.
FIGURE_STEP_UM = 0.05
# Piston and two tilts are no figure.
_FIRST_TERM = 3


@dataclass(frozen=True)
class FigureTerm:
    """A pattern that no mode holds: what it is called; its step, um; and the variance, in squared steps, with
    which it is found in right units beside what the data leave open.
    """

    label: str
    step_um: float
    variance: float = 0.0


@dataclass(frozen=True, eq=False)
class ChannelOptics:
    """What lets a channel of a family from a design be traced.

    `departures`: the tolerances, one a mode. `pitch_um` of the panel. `lattice`: rays by which a unit's field
    is told from the sum of its modes.
    """

    departures: tuple[Departure, ...]
    pitch_um: float
    lattice: RayLattice


@dataclass(frozen=True, eq=False)
class Remainder:
    """What the modes of a channel leave of units, a smooth field by chance of mean zero.

    `columns` (columns, functions): functions in the family's basis, one sigma of what every colour has on its
    own. `common`: how much larger than that is what all colours share.
    """

    columns: FloatArray
    common: float


@dataclass(frozen=True)
class Learned:
    """How well a family from fits is known, from units left out one by one.

    `units` earlier units, of `unsolved` of which poses were taken from their labels. `inside_freedom`:
    degrees of freedom of the variances, by how energies of left-out units scatter. `rest_scatter`: of the
    energy of what modes leave, standard deviation over mean.
    """

    units: int
    unsolved: int
    inside_freedom: float
    rest_scatter: float

    @property
    def warning(self) -> str:
        """What is wrong with the earlier units' fits, in words; "" for nothing."""
        if self.unsolved == 0:
            return ""
        return (
            f"poses of {self.unsolved} of {self.units} earlier units were taken from their labels. What a "
            "stage was off by counts as how units differ: errors grow, and faults hide in it."
        )


@dataclass(frozen=True, eq=False)
class ChannelFamily:
    """One channel of a family.

    Parameters
    ----------
    nominal_basis, basis : FamilyBasis
        Of the nominal field, and of the modes, which are smaller and need fewer functions.
    nominal : (colours, panel functions, pupil functions, 2) float array
        The design's field, or the mean of earlier units, direction cosines.
    modes : (colours, columns, modes) float array
        What one sigma of every mode does: the channel's own, then those that all channels share.
    labels : tuple of str
        What each of its own modes is.
    figure_modes : (columns, terms) float array
        What a step of every figure term does that no mode holds, middle colour.
    figure_terms : tuple of FigureTerm
        These terms.
    rest_px : float
        What fields of units leave of what units are, RMS of the distance, panel px.
    border_px : (k, 2) float array
        Convex hull of the panel points that are known, within the panel.
    captured_tangent : (k, 2) float array
        Convex hull of the directions of rays that reach the panel, tangents.
    optics : ChannelOptics or None
        Where the family is that of a design.
    remainder : Remainder or None
        Where it is one from fits.
    """

    nominal_basis: FamilyBasis
    basis: FamilyBasis
    nominal: FloatArray
    modes: FloatArray
    labels: tuple[str, ...]
    figure_modes: FloatArray
    figure_terms: tuple[FigureTerm, ...]
    rest_px: float
    border_px: FloatArray
    captured_tangent: FloatArray
    optics: ChannelOptics | None
    remainder: Remainder | None = None

    def expansion(self, colour: int, amounts: FloatArray | None = None, /) -> Expansion:
        """Return the field of a colour for coefficients (modes,) in prior sigmas, modes alone; the nominal
        one without.
        """
        table = self.nominal[colour]
        if amounts is not None:
            table = added(table, self.basis.table(self.modes[colour] @ amounts))
        return self.nominal_basis.expansion(table)


def added(table: FloatArray, smaller: FloatArray, /) -> FloatArray:
    """Return the sum of two tables of graded functions, the second of fewer."""
    result = table.copy()
    result[: smaller.shape[0], : smaller.shape[1]] += smaller
    return result


@dataclass(frozen=True, eq=False)
class Family:
    """All channels of a family, in the order of the module.

    `channels`: by name; the coefficients of a unit are those of the first channel's own modes, then of the
    next, then those of modes that all channels share (`shared` labels). `colours`: names; `wavelengths_nm`
    theirs. `pupil_box_mm` (2, 3): pupil positions that the fields hold for. `design`: with its tolerances;
    None of a family from fits, which has `learned`. `provenance`: facts.
    """

    channels: Mapping[str, ChannelFamily]
    colours: tuple[str, ...]
    wavelengths_nm: tuple[float, ...]
    pupil_box_mm: FloatArray
    design: Design | None
    provenance: Mapping[str, object]
    shared: tuple[str, ...] = ()
    learned: Learned | None = None

    @property
    def count(self) -> int:
        """Number of coefficients of a unit."""
        return sum(len(one.labels) for one in self.channels.values()) + len(self.shared)

    def places_of(self, channel: str, /) -> IntArray:
        """Return which coefficients of a unit move a channel, in the order of its modes."""
        start = 0
        for name, one in self.channels.items():
            if name == channel:
                own = np.arange(start, start + len(one.labels))
                return np.concatenate([own, np.arange(self.count - len(self.shared), self.count)])
            start += len(one.labels)
        raise LineError(f"the family has no channel {channel!r}; it has {', '.join(self.channels)}.")

    def optics_of(self, channel: str, coefficients: FloatArray, /) -> DesignChannel:
        """Return the optics of a channel for coefficients (count,) of a unit, in prior sigmas.

        Raises
        ------
        LineError
            The family is not that of a design.
        TraceError
            A key of the design would leave what it may be.
        """
        optics = self.channels[channel].optics
        if self.design is None or optics is None:
            raise LineError("a family of earlier units' fits has no optics to trace.")
        return moved_optics(self.design, channel, optics.departures, coefficients[self.places_of(channel)])

    @property
    def remainder_count(self) -> int:
        """Most functions of the remainder of a channel; 0 where nothing is told of one."""
        told = [one.remainder for one in self.channels.values()]
        return max((one.columns.shape[1] for one in told if one is not None), default=0)

    @property
    def labels(self) -> tuple[str, ...]:
        """What every coefficient is, in order."""
        own = (f"{name}, {label}" for name, one in self.channels.items() for label in one.labels)
        return (*own, *self.shared)

    @property
    def kind(self) -> str:
        """What units are judged by, in words."""
        if self.learned is None:
            return "tolerances of a design"
        return f"fits of {self.learned.units} earlier units"


def moved_optics(
    design: Design, channel: str, which: tuple[Departure, ...], amounts: FloatArray, /
) -> DesignChannel:
    """Return a channel's optics with departures moved by amounts (k,) in their sigmas."""
    return built_design(design, which, amounts * [one.sigma for one in which]).channel(channel)


def figure_terms_of(design: Design, channel: str, /) -> tuple[Departure, ...]:
    """Return the figure terms without a tolerance, but piston and tilts, of surfaces that have some with."""
    return tuple(
        Departure(channel, place, "figure_um", term, FIGURE_STEP_UM, f"{surface.label}: figure_um Z{term}")
        for place, surface in enumerate(design.channel(channel).surfaces)
        if surface.tolerance.figure_um > 0.0
        for term in range(_FIRST_TERM, MAX_TERMS)
        if term not in FIGURE_TERMS
    )


def departures_of(design: Design, channel: str, /) -> tuple[Departure, ...]:
    """Return what of a channel has a tolerance.

    Raises
    ------
    LineError
        Nothing has.
    """
    own = tuple(one for one in departures(design) if one.channel == channel)
    if not own:
        raise LineError(
            f"design '{design.name}': channel '{channel}' has no tolerance; expected a table 'tolerance' "
            "beside the keys of its surfaces, such as tolerance = { tilt_deg = 0.03 }."
        )
    return own
