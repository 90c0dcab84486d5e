"""Dispersion against the makers' catalogue values."""

import pytest

from prewarp.errors import TraceError
from prewarp.trace.glass import SELLMEIER, index_from_wavelength, names_by_code
from tests.trace.erfle import LINE_C_NM, LINE_D_NM, LINE_F_NM

# nd and Vd as the makers print them (Schott and Ohara data sheets; N-BK7 and fused silica looked up, others
# from memory).
CATALOGUE = {
    "N-BK7": (1.51680, 64.17),
    "N-SF6": (1.80518, 25.36),
    "N-SF11": (1.78472, 25.68),
    "N-F2": (1.62005, 36.43),
    "F2": (1.62004, 36.37),
    "N-BAK4": (1.56883, 55.98),
    "N-BAK2": (1.53996, 59.71),
    "N-SK16": (1.62041, 60.32),
    "N-LAK14": (1.69680, 55.41),
    "N-LAK33B": (1.75500, 52.30),
    "N-SF57": (1.84666, 23.78),
    "N-SF5": (1.67271, 32.25),
    "N-LASF44": (1.80420, 46.50),
    "N-PSK53A": (1.61800, 63.39),
    "L-BSL7": (1.51633, 64.06),
    "S-LAH79": (2.00330, 28.27),
    "fused-silica": (1.45846, 67.82),
}


@pytest.mark.outside
@pytest.mark.parametrize("glass", sorted(SELLMEIER))
def test_index_and_abbe_number_of_the_catalogue(glass):
    index, abbe = CATALOGUE[glass]
    found = index_from_wavelength(glass, LINE_D_NM)
    spread = index_from_wavelength(glass, LINE_F_NM) - index_from_wavelength(glass, LINE_C_NM)
    assert found == pytest.approx(index, abs=1e-5)
    assert (found - 1.0) / spread == pytest.approx(abbe, abs=0.01)


@pytest.mark.outside
def test_indices_of_the_erfle_glasses():
    # d, F, C; computed outside this project from the coefficients bundled in optiland 0.6.3.
    for glass, expected in {
        "L-BSL7": (1.516330, 1.521905, 1.513846),
        "N-BAK2": (1.539960, 1.546252, 1.537209),
        "N-F2": (1.620053, 1.632078, 1.615058),
    }.items():
        found = [index_from_wavelength(glass, line) for line in (LINE_D_NM, LINE_F_NM, LINE_C_NM)]
        assert found == pytest.approx(expected, abs=6e-7)


def test_air_is_one_and_an_unknown_glass_is_named():
    assert index_from_wavelength("air", 500.0) == 1.0
    with pytest.raises(
        TraceError, match=r"glass is 'N-BK8'; expected one of air, N-BK7.* Did you mean 'N-BK7'"
    ):
        index_from_wavelength("N-BK8", 500.0)


def test_six_digit_codes_name_the_same_glass():
    for code, name in {
        "517642": "N-BK7",
        "755523": "N-LAK33B",
        "805254": "N-SF6",
        "458678": "fused-silica",
    }.items():
        assert names_by_code()[code] == name
        assert index_from_wavelength(code, 532.0) == index_from_wavelength(name, 532.0)
    # F2 and N-F2 share their code.
    with pytest.raises(TraceError, match="six-digit"):
        index_from_wavelength("620364", 532.0)
    for code, name in names_by_code().items():
        index, abbe = CATALOGUE[name]
        assert abs(int(code[:3]) - 1000.0 * (index % 1.0)) <= 0.501
        assert abs(int(code[3:]) - 10.0 * abbe) <= 0.601
