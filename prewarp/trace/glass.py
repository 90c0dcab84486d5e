"""Dispersion: refractive index of the glasses a design may name."""

from functools import lru_cache

import numpy as np

from prewarp.checks import nearest_name
from prewarp.errors import TraceError

AIR = "air"
# Fraunhofer lines F and C (hydrogen), d (helium).
_LINE_F_NM, _LINE_D_NM, _LINE_C_NM = 486.1327, 587.5618, 656.2725

# Sellmeier coefficients (B1, B2, B3, C1, C2, C3), C in um^2, for index relative to air, as the makers publish
# them: Schott catalogue of 2017-01-20, Ohara catalogue of 2017-11-30 (L-BSL7, S-LAH79), both read in the
# refractiveindex.info database; fused silica: I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205 (its C are
# squares).
SELLMEIER: dict[str, tuple[float, float, float, float, float, float]] = {
    "N-BK7": (1.03961212, 0.231792344, 1.01046945, 0.00600069867, 0.0200179144, 103.560653),
    "N-PSK53A": (1.38121836, 0.196745645, 0.886089205, 0.00706416337, 0.0233251345, 97.4847345),
    "N-SK16": (1.34317774, 0.241144399, 0.994317969, 0.00704687339, 0.0229005, 92.7508526),
    "N-LAK14": (1.50781212, 0.318866829, 1.14287213, 0.00746098727, 0.0242024834, 80.9565165),
    "N-LAK33B": (1.42288601, 0.593661336, 1.1613526, 0.00670283452, 0.021941621, 80.7407701),
    "N-LASF44": (1.78897105, 0.38675867, 1.30506243, 0.00872506277, 0.0308085023, 92.7743824),
    "N-BAK2": (1.01662154, 0.319903051, 0.937232995, 0.00592383763, 0.0203828415, 113.118417),
    "N-BAK4": (1.28834642, 0.132817724, 0.945395373, 0.00779980626, 0.0315631177, 105.965875),
    "F2": (1.34533359, 0.209073176, 0.937357162, 0.00997743871, 0.0470450767, 111.886764),
    "N-F2": (1.39757037, 0.159201403, 1.2686543, 0.00995906143, 0.0546931752, 119.248346),
    "N-SF5": (1.52481889, 0.187085527, 1.42729015, 0.011254756, 0.0588995392, 129.141675),
    "N-SF11": (1.73759695, 0.313747346, 1.89878101, 0.013188707, 0.0623068142, 155.23629),
    "N-SF6": (1.77931763, 0.338149866, 2.08734474, 0.0133714182, 0.0617533621, 174.01759),
    "N-SF57": (1.87543831, 0.37375749, 2.30001797, 0.0141749518, 0.0640509927, 177.389795),
    "L-BSL7": (0.917473918, 0.352687665, 1.05579788, 0.00527701411, 0.0170809497, 104.302583),
    "S-LAH79": (2.32557148, 0.507967133, 2.43087198, 0.0132895208, 0.0528335449, 161.122408),
    "fused-silica": (0.6961663, 0.4079426, 0.8974794, 0.0684043**2, 0.1162414**2, 9.896161**2),
}


@lru_cache(maxsize=1)
def names_by_code() -> dict[str, str]:
    """Return names by six-digit code: three decimals of nd, then tenths of the Abbe number Vd.

    The code of two glasses names neither.
    """
    found: dict[str, list[str]] = {}
    for name in SELLMEIER:
        blue, yellow, red = (
            index_from_wavelength(name, line) for line in (_LINE_F_NM, _LINE_D_NM, _LINE_C_NM)
        )
        abbe = (yellow - 1.0) / (blue - red)
        found.setdefault(f"{round(1000 * (yellow % 1.0)):03d}{round(10 * abbe):03d}", []).append(name)
    return {code: names[0] for code, names in found.items() if len(names) == 1}


def require_glass(name: str, /) -> str:
    """Return the catalogue's name of a glass named so or by its six-digit code, or "air".

    Raises
    ------
    TraceError
        The catalogue has no such glass; the nearest name is given.
    """
    if name == AIR or name in SELLMEIER:
        return name
    if name in names_by_code():
        return names_by_code()[name]
    known = [AIR, *SELLMEIER]
    raise TraceError(
        f"glass is {name!r}; expected one of {', '.join(known)}, a six-digit code of these, or give `index`."
        f"{nearest_name(name, [*known, *names_by_code()])}",
        glass=name,
    )


def index_from_wavelength(name: str, wavelength_nm: float, /) -> float:
    """Return the refractive index of a glass relative to air; "air" is 1.

    Notes
    -----
    n^2 = 1 + sum_k B_k w^2 / (w^2 - C_k), w the wavelength in um (Sellmeier 1871, the makers' three-term
    form). Conditions: 365 to 2000 nm, room temperature. Checked: N-BK7 nd = 1.51680, Vd = 64.17.
    """
    found = require_glass(name)
    if found == AIR:
        return 1.0
    b, c = np.array(SELLMEIER[found]).reshape(2, 3)
    squared = (wavelength_nm * 1e-3) ** 2
    return float(np.sqrt(1.0 + np.sum(b * squared / (squared - c))))
