"""Rows and verdicts: both ways, with and without uncertainty; what is not known says what it needs."""

import math

import pytest

from prewarp.report.page.tree import DisplayReport, Limit, Row, Section
from prewarp.report.page.words import number_text


def row(value, *, limit=1.0, **other):
    return Row("key", "quantity", value=value, unit="px", limit=Limit("place_px", limit), **other)


@pytest.mark.parametrize(
    ("found", "verdict"),
    [
        (row(0.5), "within limit"),
        (row(1.0), "within limit"),
        (row(1.5), "above limit"),
        (row(0.5, limit=None), "no limit set"),
        (row(None, needs="a capture"), "not measured"),
        (row(math.nan), "not measured"),
        (row(math.inf), "not measured"),
        (row(0.0, limit=0.0), "within limit"),
        (Row("key", "quantity", value=3.0), "not judged"),
        # k = 2: 0.8 +- 0.08 is below 1 with a sigma of 0.04, 0.8 +- 0.3 is not.
        (row(0.8, sigma=0.04), "within limit"),
        (row(0.8, sigma=0.15), "undecided"),
        (row(1.2, sigma=0.15), "undecided"),
        (row(1.2, sigma=0.04), "above limit"),
        (row(0.8, interval=(0.7, 1.1)), "undecided"),
        (row(0.8, interval=(0.7, 0.9)), "within limit"),
        (row(1.2, interval=(1.1, math.inf)), "above limit"),
        (row(0.8, interval=(0.7, math.inf)), "undecided"),
    ],
)
def test_a_verdict_holds_all_of_the_interval(found, verdict):
    assert found.verdict == verdict


@pytest.mark.parametrize(
    ("values", "verdict", "words"),
    [
        ((0.5, 0.2), "within limit", "keeps every limit that is set. Of 2 judged figures: 2 within limit"),
        ((0.5, 2.0), "above limit", "does not keep its limits. Of 2 judged figures: 1 above limit, 1 within"),
        ((0.5, None), "not measured", "Not every figure with a limit was measured."),
        ((2.0, None), "above limit", "1 above limit, 1 not measured"),
    ],
)
def test_the_verdict_of_all_is_the_worst(values, verdict, words):
    report = DisplayReport("one", (Section("a", "A", tuple(row(value) for value in values)),))
    assert report.verdict == verdict
    assert words in report.sentence


def test_without_limits_nothing_passes_and_nothing_fails():
    report = DisplayReport("one", (Section("a", "A", (row(0.5, limit=None), Row("b", "b", value=1.0))),))
    assert report.verdict == "no limit set" and report.judged == ()
    assert "nothing passes and nothing fails" in report.sentence


def test_machines_get_none_for_what_is_not_known():
    found = row(math.inf, interval=(0.7, math.inf)).as_dict()
    assert found["value"] is None and found["interval95"] == [0.7, None]
    assert row(None).as_dict()["interval95"] is None


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (6.12e-15, "0"), (6.12e-6, "below 0.0001"), (-3e-5, "above -0.0001"), (0.05038, "0.0504"),
     (1234.5, "1234"), (2.0, "2.00"), (118.04, "118"), (None, "–"), (math.inf, "unbounded")],
)  # fmt: skip
def test_numbers_have_three_digits_and_no_exponents(value, text):
    assert number_text(value) == text
