"""Statistics against published figures, each with its source."""

import math
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from scipy import stats

from prewarp.quality.anova import one_way
from prewarp.quality.capability import (
    Limits,
    Spread,
    capability,
    nearest_index,
    normal_outside,
    short_term_spread,
    spread_index,
    target_index,
)
from prewarp.quality.charts import chart
from prewarp.quality.conformance import conformance_probability, global_risks
from prewarp.quality.shares import share
from prewarp.quality.trend import trend

pytestmark = pytest.mark.outside
# NIST StRD sets ship with scipy's own tests.
NIST = Path(scipy.stats.__file__).parent / "tests" / "data"
EASY = ("SiRstv", "SmLs01", "SmLs02", "SmLs03", "AtmWtAg", "SmLs04", "SmLs05", "SmLs06")
# Thirteen constant leading digits, 10^12: the numbers themselves are rounded to 1e-4 in double precision.
HARD = ("SmLs07", "SmLs08", "SmLs09")


def nist_anova(name):
    """Return groups of numbers as text, and the certified figures."""
    lines = (NIST / "nist_anova" / f"{name}.dat").read_text(encoding="ascii").splitlines()
    groups: dict[str, list[str]] = {}
    for line in lines[60:]:
        group, value = line.split()
        groups.setdefault(group, []).append(value)
    between, within = (next(one for one in lines if one.strip().startswith(word)).split()
                       for word in ("Between", "Within"))  # fmt: skip
    squared = next(one for one in lines if "Certified R-Squared" in one).split()[-1]
    deviation = next(i for i, one in enumerate(lines) if "Certified Residual" in one)
    sigma = next(one for one in lines[deviation : deviation + 3] if "Standard Deviation" in one).split()[-1]
    numbers = [float(one) for one in (*between[-4:], *within[-3:])]
    return list(groups.values()), numbers, float(squared), float(sigma)


@pytest.mark.parametrize("name", EASY + HARD)
def test_nist_one_way_to_six_digits(name):
    groups, certified, squared, sigma = nist_anova(name)
    first = Decimal(groups[0][0]) if name in HARD else Decimal(0)
    found = one_way([[float(Decimal(one) - first) for one in group] for group in groups])
    own = [
        found.between_freedom,
        found.between,
        found.between / found.between_freedom,
        found.f,
        found.within_freedom,
        found.within,
        found.within / found.within_freedom,
    ]
    np.testing.assert_allclose(own, certified, rtol=1e-6)
    np.testing.assert_allclose([found.r_squared, found.residual_sigma], [squared, sigma], rtol=1e-6)


def test_what_double_precision_leaves_of_the_hardest_sets():
    # Read as they are, 10^12 and tenths beside it, the data are off by 6e-5: F is right to some three digits.
    for name in HARD:
        groups, certified, _, _ = nist_anova(name)
        found = one_way([[float(one) for one in group] for group in groups])
        assert 1e-6 < abs(found.f / certified[3] - 1.0) < 5e-3


def test_nist_norris_to_six_digits():
    lines = (NIST / "nist_linregress" / "Norris.dat").read_text(encoding="ascii").splitlines()
    y, x = np.array([line.split() for line in lines[60:96]], dtype=float).T
    line = trend(x, y)
    # Certified: B0, B1, their standard deviations, the residual's.
    np.testing.assert_allclose(
        [line.intercept, line.slope, line.intercept_sigma, line.slope_sigma, line.residual_sigma],
        [-0.262323073774029, 1.00211681802045, 0.232818234301152, 0.429796848199937e-03, 0.884796396144373],
        rtol=1e-6,
    )


def test_gum_h3_calibration_of_a_thermometer():
    # JCGM 100:2008, H.3: table H.6 as package GTC carries it.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = trend(np.array(t), np.array(b), origin=20.0)
    assert round(line.intercept, 4) == -0.1712 and round(line.intercept_sigma, 4) == 0.0029
    assert round(line.slope, 5) == 0.00218 and round(line.slope_sigma, 5) == 0.00067
    assert round(line.correlation, 2) == -0.93
    assert line.residual_sigma**2 * line.freedom == pytest.approx(1.10096583e-4, rel=1e-6)
    value, sigma = line.at(30.0)
    assert (round(value, 4), round(sigma, 4)) == (-0.1494, 0.0041)


def test_piston_rings():
    # Package mistat 0.1.17, its own tests (a data set of Montgomery's).
    limits, spread, mean, n = Limits(73.95, 74.05), Spread(0.009785039, 124.0), 74.00118, 125
    cp, cpk = spread_index("Cp", spread, limits, n), nearest_index("Cpk", mean, spread, limits, n)
    assert [round(one, 3) for one in (cp.value, cp.low, cp.high)] == [1.703, 1.491, 1.915]
    assert [round(one, 3) for one in (cpk.value, cpk.low, cpk.high)] == [1.663, 1.448, 1.878]
    cpm = target_index("Cpm", mean, spread, limits, n)
    # It tells (1.480, 1.902), by n (1 + a^2) / (1 + 2 a^2) degrees of freedom; Patnaik's approximation of
    # the noncentral chi-square, whose square Boyles has, gives (1.482, 1.900).
    assert round(cpm.value, 3) == 1.691 and (round(cpm.low, 3), round(cpm.high, 3)) == (1.482, 1.900)


def test_indices_of_handbooks():
    assert nearest_index("Cpk", 10.0, Spread(0.4, 99.0), Limits(9.0, 11.0), 100).value == pytest.approx(
        0.8333, abs=5e-5
    )
    assert normal_outside(10.0, 0.4, Limits(9.0, 11.0)) == pytest.approx(0.01242, abs=5e-6)
    # NIST/SEMATECH e-Handbook, 6.1.6, from memory: limits 8 and 20, mean 16, sigma 2; factors at n = 50.
    cp = spread_index("Cp", Spread(2.0, 49.0), Limits(8.0, 20.0), 50)
    assert cp.value == 1.0 and (round(cp.low, 4), round(cp.high, 4)) == (0.8025, 1.1971)
    assert nearest_index("Cpk", 16.0, Spread(2.0, 49.0), Limits(8.0, 20.0), 50).value == pytest.approx(2 / 3)
    one_sided = nearest_index("Cpk", 0.0, Spread(1.0 / 3.99, 99.0), Limits(None, 1.0), 100, confidence=0.9)
    assert round(one_sided.value, 2) == 1.33 and round(one_sided.low, 3) == 1.165


def test_conformance_probability_of_jcgm_106():
    assert conformance_probability(13.6, 1.8, lower=12.5, upper=16.3) == pytest.approx(0.66263, abs=5e-6)


@pytest.mark.parametrize(
    ("sigma", "guard", "consumer", "producer"),
    # Repository sandialabs/suncal, test_risk.py: limits at two sigma, 4:1; 2:1 with guard 0.91.
    [(0.25, 0.0, 0.00801, 0.01485), (0.5, 0.18, 0.00805, 0.06611)],
)
def test_global_risks(sigma, guard, consumer, producer):
    found = global_risks(mean=0.0, spread=1.0, sigma=sigma, lower=-2.0, upper=2.0, guard=guard)
    # Published to five digits.
    assert found.consumer == pytest.approx(consumer, abs=5e-6)
    assert found.producer == pytest.approx(producer, abs=6e-6)
    both = stats.multivariate_normal(cov=[[1.0, 1.0], [1.0, 1.0 + sigma**2]])
    high = 2.0 - guard
    kept = both.cdf([2.0, high], lower_limit=[-2.0, -high])
    accepted = math.erf(high / math.sqrt(2.0 * (1.0 + sigma**2)))
    assert found.consumer == pytest.approx(accepted - kept, abs=1e-6)
    assert found.producer == pytest.approx(found.conforming - kept, abs=1e-6)


def test_clopper_and_pearson():
    # Nothing of twenty: the closed form 1 - 0.025^(1/20); the rest by scipy's own interval.
    assert share(0, 20).high == pytest.approx(1.0 - 0.025 ** (1 / 20), rel=1e-9)
    for hits, count in ((1, 7), (285, 300), (300, 300)):
        own, other = share(hits, count), stats.binomtest(hits, count).proportion_ci(method="exact")
        np.testing.assert_allclose([own.low, own.high], [other.low, other.high], rtol=1e-9)


def test_an_individuals_chart_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook, 6.3.2.2, flow rates, from memory; it takes 1.128 for 2 / sqrt(pi).
    found = chart(np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]))
    assert round(found.range_centre, 4) == 1.8778
    np.testing.assert_allclose([found.low, found.centre, found.high], [45.8159, 50.81, 55.8041], atol=0.002)


def test_the_spread_of_moving_ranges_is_as_sure_as_it_says():
    random = np.random.default_rng(4)
    sigmas = np.array([short_term_spread(random.standard_normal(30)).sigma for _ in range(2000)])
    freedom = short_term_spread(random.standard_normal(30)).freedom
    assert sigmas.mean() == pytest.approx(1.0, abs=0.01)
    # A standard deviation of n degrees of freedom varies by 1 / (2 n).
    assert sigmas.var() == pytest.approx(0.5 / freedom, rel=0.1)


def test_intervals_of_capability_hold_the_truth():
    random, held = np.random.default_rng(6), 0
    for _ in range(300):
        found = capability(random.normal(0.2, 0.05, 40), Limits(0.0, 0.35))
        held += found.ppk.low <= 1.0 <= found.ppk.high
    assert 0.92 < held / 300 < 0.975
