"""Options that are made from settings classes: names, defaults, help, and the way back into the class."""

import dataclasses

import click
import pytest
from click.testing import CliRunner

from prewarp.budget import Tracker
from prewarp.cli import main
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import number
from tests.cli.conftest import run

OPTIONS = {
    "accuracy_mm": "--accuracy",
    "noise_mm": "--noise",
    "depth_ratio": "--depth-ratio",
    "latency_ms": "--latency",
    "rate_hz": "--rate",
}


@pytest.mark.parametrize("command", ["budget", "preview", "film"])
def test_what_a_budget_recommends_is_looked_at_by_the_same_options(command):
    options = {one.opts[0]: one for one in main.get_command(None, command).params}
    assert {field.name for field in dataclasses.fields(Tracker)} == set(OPTIONS)
    for name, flag in OPTIONS.items():
        assert options[flag].default == getattr(Tracker(), name)
    assert options["--latency"].help == (
        "Time from a sample of the eye to the light of the panel picture drawn with it, ms."
    )


def test_options_fill_the_class():
    made = []

    @click.command()
    @settings_options(Tracker, "tracker", flags={"rate_hz": "--samples"})
    def command(tracker):
        made.append(tracker)

    done = CliRunner().invoke(command, ["--accuracy", "0.2", "--samples", "120", "--depth-ratio", "3"])
    assert done.exit_code == 0, done.output
    assert made == [Tracker(accuracy_mm=0.2, rate_hz=120.0, depth_ratio=3.0)]


@pytest.mark.parametrize("command", [("preview", "--offscreen"), ("film",)])
def test_a_wrong_setting_is_told_in_one_line(command, tmp_path):
    done = run(*command, "folded", "--noise", "-1", "-o", tmp_path / "a.png")
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert "'--noise': -1.0 is not in the range 0.0<=x<=20.0" in line


def test_numbers_in_tables_have_no_exponents():
    told = [number(value) for value in (6.12e-15, 1.234567e-5, 0.1234567, 99.996, 12345.6, -3.0, None)]
    assert told == ["0", "0.00001235", "0.1235", "100", "12346", "-3", "-"]
    assert number(0.0000994, 2) == "0.000099" and number(1e9, 2) == "1000000000"
