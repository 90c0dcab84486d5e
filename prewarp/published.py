"""Published figures that outputs set beside a result, with their source; none is a limit of this package.

Which limit holds for whom is for qualified people to decide. `read` says whether the figure was read in the
source named or in its abstract, or is quoted from memory.
"""

from dataclasses import dataclass

# Units of keys, as people write them.
_UNITS = {"deg_per_s": "deg/s", "percent": "%"}


@dataclass(frozen=True)
class Published:
    """A figure from the literature: `low` to `high` in `unit`, under a condition, from a source."""

    what: str
    low: float
    high: float
    unit: str
    condition: str
    source: str
    read: bool

    def text(self) -> str:
        """Return one line for people."""
        figure = f"{self.low:g}" if self.low == self.high else f"{self.low:g} to {self.high:g}"
        memory = "" if self.read else "; quoted from memory"
        unit = _UNITS.get(self.unit, self.unit)
        return f"{self.what}: {figure} {unit} ({self.condition}; {self.source}{memory})"

    def as_dict(self) -> dict[str, object]:
        """Return the figure for machines; the unit is in the keys."""
        return {
            "what": self.what,
            f"low_{self.unit}": self.low,
            f"high_{self.unit}": self.high,
            "condition": self.condition,
            "source": self.source,
            "quoted_from_memory": not self.read,
        }


DEPTH_OF_FOCUS = (
    Published(
        "depth of focus, each way",
        0.3,
        0.3,
        "dioptres",
        "3 mm pupil, best conditions",
        "F. W. Campbell, Optica Acta 4 (1957) 157",
        True,
    ),
    Published(
        "depth of focus, total",
        0.63,
        0.94,
        "dioptres",
        "99 % and 50 % level, 0.12 dioptres less per mm of pupil from 2.5 to 8 mm",
        "Ogle and Schwartz, J. Opt. Soc. Am. 49 (1959) 273",
        True,
    ),
    Published(
        "depth of focus, total",
        0.55,
        0.86,
        "dioptres",
        "0.86, 0.59 and 0.55 at 2, 4 and 6 mm pupils",
        "Atchison, Charman and Woods, Optom. Vis. Sci. 74 (1997) 511",
        True,
    ),
    Published(
        "depth of field to objectionable blur",
        0.85,
        1.07,
        "dioptres",
        "5.70 and 4.62 mm pupils",
        "Bernal-Molina et al., Optom. Vis. Sci. (2014)",
        True,
    ),
)

VERTICAL_MISALIGNMENT = (
    Published(
        "vertical misalignment between the eyes (dipvergence)",
        1.0,
        10.0,
        "arcmin",
        "suggested limits scatter this far; an evaluation calls their data highly variable "
        "(Kalich et al., SPIE 5442, 2004)",
        "Self (1986), Melzer and Moffitt (1997), Rash (1999), Kooi and Toet (2004)",
        False,
    ),
    Published(
        "vertical misalignment between the eyes (dipvergence)",
        3.44,
        3.44,
        "arcmin",
        "1 mrad, a usual design figure",
        "common practice",
        False,
    ),
)

VERGENCE_CONFLICT = (
    Published(
        "vergence away from focus",
        0.5,
        0.5,
        "dioptres",
        "a simple rule often quoted; the zone depends on distance and sign",
        "rule: common practice; zone: Shibata, Kim, Hoffman and Banks, J. Vision 11(8):11 (2011)",
        False,
    ),
)

SACCADES = (
    Published(
        "natural saccades within 15 degrees",
        86.0,
        86.0,
        "percent",
        "people walking outdoors; amplitudes follow an exponential law of 7.6 degrees",
        "Bahill, Adler and Stark, Invest. Ophthalmol. 14 (1975) 468",
        False,
    ),
    Published(
        "natural saccades under 15 degrees",
        83.0,
        83.0,
        "percent",
        "unrestrained people looking at or tapping near targets; 53 % under 5 degrees",
        "Malinov, Epelboim, Herst and Steinman, Vision Research 40 (2000) 2083, abstract",
        True,
    ),
    Published(
        "duration of a saccade of 10 degrees",
        64.0,
        64.0,
        "ms",
        "37 ms, and 2.7 ms per degree",
        "Baloh, Sills, Kumley and Honrubia, Neurology 25 (1975) 1065",
        False,
    ),
)

HEAD_RATES = (
    Published(
        "head rate, walking or running in place",
        90.0,
        90.0,
        "deg_per_s",
        "median over 20 people of each one's greatest does not exceed this; yaw and pitch",
        "Grossman, Leigh, Abel, Lanska and Thurston, Exp. Brain Res. 70 (1988) 470, abstract",
        True,
    ),
    Published(
        "eye rate, following a target smoothly",
        100.0,
        100.0,
        "deg_per_s",
        "nearly without lag up to this; late rotation does not mend it",
        "Meyer, Lasker and Robinson, Vision Research 25 (1985) 561",
        False,
    ),
    Published(
        "head rate, turned vigorously at will",
        780.0,
        780.0,
        "deg_per_s",
        "median over 20 people of each one's greatest; yaw",
        "Grossman, Leigh, Abel, Lanska and Thurston, Exp. Brain Res. 70 (1988) 470, abstract",
        True,
    ),
)

ACUITY = (
    Published(
        "resolution limit of normal vision",
        1.0,
        1.0,
        "arcmin",
        "a gap in a letter of the 6/6 line, high contrast, daylight",
        "common practice",
        False,
    ),
    Published(
        "vernier threshold: offset of one line against another",
        0.08,
        0.17,
        "arcmin",
        "5 to 10 arcsec, trained observers, abutting bright lines in the fovea",
        "Westheimer, hyperacuity; Vision Research (1975)",
        False,
    ),
)

LUMINANCE_STEP = (
    Published(
        "Weber fraction of luminance",
        1.0,
        2.0,
        "percent",
        "a sharp edge between two large fields, daylight; gradients over degrees are seen later",
        "common practice",
        False,
    ),
)

DIPLOPIA = (
    Published(
        "disparity of a far display against the world, diverging (negative)",
        4.1,
        4.1,
        "arcmin",
        "1.2 mrad, median threshold of diplopia, head-up display",
        "L. V. Genco (1983), DTIC ADP003159, abstract",
        True,
    ),
    Published(
        "disparity of a far display against the world, converging (positive)",
        8.9,
        8.9,
        "arcmin",
        "2.6 mrad, median threshold of diplopia, head-up display",
        "L. V. Genco (1983), DTIC ADP003159, abstract",
        True,
    ),
)
