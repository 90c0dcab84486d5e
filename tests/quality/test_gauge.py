"""Gauge studies: published ones to their last digit, simulated ones for intervals, faults in tables."""

import json
import math

import numpy as np
import pytest

from prewarp.errors import GridError, ShapeError
from prewarp.quality.anova import Crossed, crossed
from prewarp.quality.gauge import gauge_study
from prewarp.quality.gauge_table import read_gauge_table
from tests.cli.conftest import run
from tests.quality.studies import AIAG, AIAG_SQUARES, gauge_csv


@pytest.mark.outside
def test_aiag_sums_of_squares_and_components():
    sums = crossed(AIAG)
    found = sums.appraiser, sums.part, sums.interaction, sums.repeat
    np.testing.assert_allclose(found, AIAG_SQUARES, atol=6e-6)
    assert sums.total == pytest.approx(94.64711, abs=6e-6)
    study = gauge_study(sums)
    assert study.pooled
    # EV, AV, GRR, PV, TV: from memory and a package of a registry; six digits.
    sigmas = [one.sigma for one in (study.ev, study.av, study.grr, study.pv)]
    np.testing.assert_allclose(sigmas, [0.199933, 0.226838, 0.302372, 1.042327], atol=6e-7)
    assert study.tv == pytest.approx(1.085300, abs=6e-7)
    assert study.percent_of_spread == pytest.approx(27.86, abs=0.005)
    assert math.sqrt(2.0) * study.pv.sigma / study.grr.sigma == pytest.approx(4.86, abs=0.02)
    assert study.categories == 4


@pytest.mark.outside
def test_a_second_published_study():
    # Package SixSigma (GitHub emilopezcano/SixSigma), its own test of gauge studies: percent of variance.
    study = gauge_study(Crossed(1.2007, 0.0529, 0.0834, 0.3854, 3, 3, 3))
    found = [one.percent for one in (study.grr, study.ev, study.av, study.pv)]
    # .67 there is of sums with more digits than are printed.
    np.testing.assert_allclose(found, [25.38, 24.71, 0.67, 74.62], atol=0.011)
    assert study.categories == 2


def test_squares_of_one_value_told_by_a_plain_loop():
    values = np.random.default_rng(1).normal(size=(4, 3, 2)) + 1e6
    sums = crossed(values)
    mean = values.mean()
    part = sum(6 * (values[i].mean() - mean) ** 2 for i in range(4))
    appraiser = sum(8 * (values[:, j].mean() - mean) ** 2 for j in range(3))
    repeat = sum((v - values[i, j].mean()) ** 2 for (i, j, _), v in np.ndenumerate(values))
    whole = sum((v - mean) ** 2 for v in values.flat)
    np.testing.assert_allclose(
        [sums.part, sums.appraiser, sums.repeat, sums.total], [part, appraiser, repeat, whole], rtol=1e-6
    )


@pytest.mark.parametrize("interaction", [0.0, 0.8])
def test_intervals_hold_the_truth_as_often_as_they_say(interaction):
    random = np.random.default_rng(5)
    truth = {"ev": 0.5, "grr": math.sqrt(0.25 + 0.49 + interaction**2), "pv": 2.0}
    held = dict.fromkeys(truth, 0)
    draws = 500
    for _ in range(draws):
        values = (
            2.0 * random.normal(size=(8, 1, 1))
            + 0.7 * random.normal(size=(1, 6, 1))
            + interaction * random.normal(size=(8, 6, 1))
            + 0.5 * random.normal(size=(8, 6, 2))
        )
        study = gauge_study(crossed(values))
        for name, value in truth.items():
            one = getattr(study, name)
            held[name] += one.low <= value <= one.high
    # 95 % within three binomial sigmas; those of GRR may be somewhat wide.
    for name, count in held.items():
        assert 0.92 < count / draws < (0.995 if name == "grr" else 0.98), (name, count / draws)


def test_no_verdict_above_thirty_percent_of_the_tolerance():
    sums = crossed(AIAG)
    for upper, usable in ((6.1, True), (6.0, False)):
        study = gauge_study(sums, lower=0.0, upper=upper)
        share, low, high = study.percent_of_tolerance
        assert share == pytest.approx(600.0 * 0.302372 / upper, rel=1e-5)
        assert low < share < high
        assert study.is_usable is usable and study.sentence.startswith("No verdict") is not usable
    assert "interval reaches" in gauge_study(sums, lower=0.0, upper=6.1).sentence


def test_one_limit_is_judged_by_the_way_to_it():
    study = gauge_study(crossed(AIAG), upper=3.0, mean=1.0)
    assert study.tolerance == pytest.approx(4.0)
    with pytest.raises(ShapeError, match="beyond the only limit"):
        gauge_study(crossed(AIAG), upper=3.0, mean=3.0)
    with pytest.raises(ShapeError, match="lower one first"):
        gauge_study(crossed(AIAG), upper=0.0, lower=1.0)


def test_values_that_never_change_say_nothing():
    study = gauge_study(crossed(np.ones((3, 2, 2))))
    assert not study.is_usable and study.categories is None and "nothing is known" in study.sentence


def test_one_appraiser_says_nothing_of_reproducibility():
    study = gauge_study(crossed(AIAG[:, :1]))
    assert study.av is None and study.grr == study.ev and study.interaction_p is None


def test_the_order_of_rows_does_not_matter(tmp_path):
    head, *lines = gauge_csv().splitlines()
    (tmp_path / "a.csv").write_text("\n".join([head, *lines]), encoding="utf-8")
    shuffled = np.random.default_rng(2).permutation(lines).tolist()
    (tmp_path / "b.csv").write_text("\n".join([head, *shuffled]), encoding="utf-8")
    one, other = (gauge_study(crossed(read_gauge_table(tmp_path / f"{name}.csv").values)) for name in "ab")
    assert one.grr.sigma == pytest.approx(other.grr.sigma, rel=1e-12)
    np.testing.assert_allclose(one.sums.interaction, other.sums.interaction, rtol=1e-9)


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (lambda text: text.replace("3,B,2,0.94\n", ""), "appraiser 'B' measured part '3' 2 times, others 3"),
        (lambda text: text.replace("1,A,2,", "1,A,1,"), "row 3: part, appraiser and trial are there twice"),
        (lambda text: text.replace("0.47", "nan"), "is empty or no finite number"),
        (lambda text: text.replace("value", "Value"), "rename it to 'value'"),
        (lambda text: "\n".join(text.splitlines()[:4]), "1 parts, 3 trials"),
    ],
)
def test_a_table_with_faults_is_refused(tmp_path, edit, message):
    (tmp_path / "study.csv").write_text(edit(gauge_csv()), encoding="utf-8")
    with pytest.raises(GridError, match=message):
        read_gauge_table(tmp_path / "study.csv")


def test_the_command(tmp_path):
    (tmp_path / "study.csv").write_text(gauge_csv(), encoding="utf-8")
    done = run("line", "gauge", tmp_path / "study.csv", "--lower", -3, "--upper", 3, "-o", tmp_path / "out")
    assert done.exit_code == 1, done.output
    assert "No verdict on units" in done.stdout and "categories of parts: 4" in done.stdout
    found = json.loads((tmp_path / "out" / "gauge.json").read_text(encoding="utf-8"))
    assert found["grr"]["sigma"] == pytest.approx(0.302372, abs=1e-6)
    done = run("line", "gauge", tmp_path / "none.csv", "-o", tmp_path / "new")
    assert done.exit_code == 2 and not (tmp_path / "new").exists()
