"""A family of units: the design with its tolerances, the nominal field of every channel and colour, and what
one sigma of each tolerance does to it.

q = q_0 + sum_k c_k q_k + what only the trace of the moved design tells, direction cosines; c are independent,
of mean 0 and 1-sigma 1: the coefficients of a unit are in prior sigmas. A mode for every tolerance, by finite
differences of the trace; all are kept with their priors. The sum of modes is where a search starts, and the
slope by which it goes on; what a unit shows is told by the trace of the design with its numbers moved
(`prewarp.line.moved`).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from prewarp.checks import FloatArray
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


@dataclass(frozen=True, eq=False)
class ChannelFamily:
    """One channel of a family.

    Parameters
    ----------
    nominal_basis, basis : FamilyBasis
        Of the nominal field, and of the modes, which are smaller and need fewer functions.
    nominal : (colours, panel functions, pupil functions, 2) float array
        The design's field, direction cosines.
    modes : (colours, columns, modes) float array
        One sigma of every tolerance.
    departures : tuple of Departure
        The tolerances.
    figure_modes : (columns, terms) float array
        What `FIGURE_STEP_UM` of every figure term that has no tolerance does, middle colour, of surfaces
        whose figure has one.
    figure_terms : tuple of Departure
        These terms; their sigma is the step.
    rest_px : float
        What fields of units (`prewarp.line.moved`) leave of their trace, RMS of the distance, panel px.
    border_px : (k, 2) float array
        Convex hull of the panel points of the rays, within the panel.
    captured_tangent : (k, 2) float array
        Convex hull of the directions of the rays that reach the panel, tangents.
    pitch_um : float
        Of the panel.
    lattice : RayLattice
        Rays by which a unit's field is told from the sum of its modes.
    """

    nominal_basis: FamilyBasis
    basis: FamilyBasis
    nominal: FloatArray
    modes: FloatArray
    departures: tuple[Departure, ...]
    figure_modes: FloatArray
    figure_terms: tuple[Departure, ...]
    rest_px: float
    border_px: FloatArray
    captured_tangent: FloatArray
    pitch_um: float
    lattice: RayLattice

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

    `channels`: by name; the coefficients of a unit are those of the first channel, then of the next.
    `colours`: names; `wavelengths_nm` theirs. `pupil_box_mm` (2, 3): pupil positions that the fields hold
    for. `design`: with its tolerances. `provenance`: facts.
    """

    channels: Mapping[str, ChannelFamily]
    colours: tuple[str, ...]
    wavelengths_nm: tuple[float, ...]
    pupil_box_mm: FloatArray
    design: Design
    provenance: Mapping[str, object]

    @property
    def count(self) -> int:
        """Number of coefficients of a unit."""
        return sum(len(one.departures) for one in self.channels.values())

    def places_of(self, channel: str, /) -> slice:
        """Return which coefficients of a unit are a channel's."""
        start = 0
        for name, one in self.channels.items():
            if name == channel:
                return slice(start, start + len(one.departures))
            start += len(one.departures)
        raise LineError(f"the family has no channel {channel!r}; it has {', '.join(self.channels)}.")

    def optics_of(self, channel: str, coefficients: FloatArray, /) -> DesignChannel:
        """Return the optics of a channel for coefficients (count,) of a unit, in prior sigmas.

        Raises
        ------
        TraceError
            A key of the design would leave what it may be.
        """
        own = self.channels[channel].departures
        return moved_optics(self.design, channel, own, coefficients[self.places_of(channel)])

    @property
    def labels(self) -> tuple[str, ...]:
        """What every coefficient is, in order."""
        return tuple(
            f"{name}, {departure.label}"
            for name, one in self.channels.items()
            for departure in one.departures
        )


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
