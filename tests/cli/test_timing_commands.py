"""Time across the seam in commands: figures with units, advice, pictures, and a budget that counts lines."""

import json

import numpy as np
import pytest
from PIL import Image

from prewarp.eye import assemble_eye
from prewarp.field import FieldSet
from prewarp.module import read_module
from prewarp.seam import lit_ms
from tests.cli.conftest import run, scanned
from tests.cli.test_seam_commands import assert_units
from tests.support import long_form

QUICK = {
    "sensitivity": ("--pupils", "2x2x1"),
    "budget": ("--samples", "2000", "--directions", "4"),
    "blend": ("--pupils", "3x1x1"),
}


@pytest.fixture(scope="module")
def modules(capture, tmp_path_factory):
    """Module files by what their panels do."""
    folder = tmp_path_factory.mktemp("scans")
    text = (capture / "visor.toml").read_text(encoding="utf-8")
    made = {
        "alike": scanned(),
        "opposed": scanned("down", "up", (0.0, 1.5)),
        "half": scanned().split("[channel.outer")[0],
    }
    for name, tables in made.items():
        (folder / f"{name}.toml").write_text(text + tables, encoding="utf-8")
    return {name: folder / f"{name}.toml" for name in made}


def asked(capture, command, module, *more):
    return run(command, capture / "visor.fit.npz", "--module", module, *QUICK[command], *more)


def found_in(capture, command, module, *more):
    done = asked(capture, command, module, "--json", *more)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.mark.parametrize("command", QUICK)
def test_figures_have_units_and_agree_between_commands(capture, modules, command):
    found = found_in(capture, command, modules["opposed"])
    eye = found["eyes"]["right"]
    (seam,) = (
        eye["panels_out_of_step"] if command == "blend" else [s["panels_out_of_step"] for s in eye["seams"]]
    )
    assert_units({key: value for key, value in seam.items() if key != "at_rates"})
    assert_units(eye["scan_advice"])
    # 480 lines of 20 us one way and the other: at the ends of the seam up to 9.6 ms, and 1.5 ms of start.
    assert 5.0 < max(abs(seam["apart_least_ms"]), abs(seam["apart_largest_ms"])) < 11.1
    largest = max(abs(seam["apart_least_ms"]), abs(seam["apart_largest_ms"]))
    assert seam["worst_axis_arcmin_per_deg_per_s"] == pytest.approx(0.06 * largest, rel=1e-9)
    assert seam["yaw_arcmin_per_deg_per_s"] <= seam["worst_axis_arcmin_per_deg_per_s"] + 1e-12
    at_90 = seam["at_rates"][0]
    assert at_90["split_arcmin"] == pytest.approx(90.0 * 0.06 * largest, rel=1e-9)
    advice = eye["scan_advice"]
    assert advice["as_declared"]["worst_apart_ms"] == pytest.approx(largest, rel=1e-6)
    assert (
        advice["best"]["worst_apart_ms"] <= advice["best_from_either_end"]["worst_apart_ms"] < 0.1 * largest
    )
    assert len(set(advice["best_from_either_end"]["direction"].values())) == 1
    text = " ".join(asked(capture, command, modules["opposed"]).stdout.split())
    assert "Panels out of step" in text and "With panels lit from either end" in text
    assert "Grossman" in text and "quoted from memory" in text


def test_panels_lit_alike_are_told_so(capture, modules):
    found = found_in(capture, "sensitivity", modules["alike"])
    advice = found["eyes"]["right"]["scan_advice"]
    assert advice["sentences"][0].startswith("No other way") or advice["best"]["worst_apart_ms"] < 0.3
    assert found["eyes"]["right"]["seams"][0]["panels_out_of_step"]["apart_median_ms"] == pytest.approx(
        0, abs=0.3
    )


def test_one_panel_without_a_scan_is_named(capture, modules):
    found = found_in(capture, "sensitivity", modules["half"])
    (lacking,) = found["not_known"]
    assert lacking["needs"] == "[channel.outer.panel.scan] in the module file"


def test_the_sensitivity_picture_gains_a_map(capture, modules, tmp_path):
    for name, width in (("opposed", 3 * 430), ("half", 2 * 430)):
        done = asked(capture, "sensitivity", modules[name], "--picture", tmp_path / f"{name}.png", "-q")
        assert done.exit_code == 0, done.output
        with Image.open(tmp_path / f"{name}.png") as picture:
            assert picture.size == (width, 720)


def test_the_budget_counts_the_time_of_the_lines(capture, modules):
    known = found_in(capture, "budget", modules["opposed"], "--latency", "10")["eyes"]["right"]["seams"][0]
    plain = found_in(capture, "budget", capture / "visor.toml", "--latency", "10")["eyes"]["right"]["seams"][
        0
    ]
    assert plain["latency_counts_to"] == "light" and plain["line_lit_after_frame_start_ms"] is None
    assert known["latency_counts_to"] == "frame start"
    times = known["line_lit_after_frame_start_ms"]
    # Down and up: their mean is half a picture, half the persistence and half the later start, everywhere.
    assert times["median"] == pytest.approx(4.8 + 1.0 + 0.75, abs=0.3)
    assert "time of the line" in {one["term"] for one in known["terms"]}
    assert "time of the line" not in {one["term"] for one in plain["terms"]}
    assert known["tracked"]["p95_arcmin"] > plain["tracked"]["p95_arcmin"]
    assert known["fixed"]["p95_arcmin"] == plain["fixed"]["p95_arcmin"]
    assert "Latencies count to the frame's start; lines of the seam add" in known["sentence"]


def test_the_times_of_the_budget_are_those_of_the_seam(capture, modules):
    module = read_module(modules["opposed"])
    fields = FieldSet.load(capture / "visor.fit.npz")
    eye = assemble_eye(fields, module)
    (pair,) = eye.overlaps()
    from prewarp.budget.of_eye import lit_times

    tangent = pair.thinned(5)
    colour = fields.colours[0]
    times = [lit_ms(fields.field(name, colour), eye.scans[name], tangent) for name in pair.channels]
    np.testing.assert_allclose(lit_times(eye, pair.channels, tangent), np.mean(times, axis=0), atol=1e-12)


@long_form
def test_render_and_film_turn_with_the_head(capture, modules, tmp_path):
    fit = capture / "visor.fit.npz"
    for name, more in (
        ("still", ()),
        ("late", ("--head-rate", "100")),
        ("split", ("--head-rate", "100,0,0")),
    ):
        off = ("--no-late-rotation",) if name == "split" else ()
        done = run(
            "render", fit, "--module", modules["opposed"], "--width", 320, "--gl", "none", *more, *off,
            "--drawn-for", 5, "-o", tmp_path / name, "--json",
        )  # fmt: skip
        assert done.exit_code == 0, done.output
        head = json.loads(done.stdout).get("head")
        assert head is None if name == "still" else head["late_rotation"] == (name == "late")
    views = [
        np.asarray(Image.open(tmp_path / name / "view_right.png").convert("RGB")).astype(int)
        for name in ("still", "late", "split")
    ]
    middle = [one[60:100, 120:200] for one in views]
    assert np.abs(middle[1] - middle[0]).mean() < 0.5 * np.abs(middle[2] - middle[0]).mean()
    for command, target in (("film", "film.png"), ("preview", "one.png")):
        more = ("--seconds", 0.1) if command == "film" else ("--offscreen",)
        done = run(
            command, fit, "--module", modules["opposed"], "--size", "160x100", "--gl", "none", *more,
            "--head-rate", "50,20,10", "-o", tmp_path / target,
        )  # fmt: skip
        assert done.exit_code == 0, done.output
        assert (tmp_path / target).stat().st_size > 0


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("render", "{fit}", "--module", "{half}", "--head-rate", "50", "-o", "{new}"),
         "channel 'outer': when its lines are lit is not known"),
        (("film", "{fit}", "--module", "{half}", "--head-rate", "50", "-o", "{new}"),
         "Declare [channel.outer.panel.scan]"),
        (("film", "{fit}", "--module", "{opposed}", "--head-rate", "fast", "-o", "{new}"),
         "is not a head rate"),
        (("film", "{fit}", "--module", "{opposed}", "--head-rate", "1e9", "-o", "{new}"),
         "at most 2000 each"),
        (("render", "{fit}", "--module", "{opposed}", "--head-rate", "2000", "--drawn-for", "400",
          "-o", "{new}"),
         "the head turns by"),
        (("export", "{fit}", "--module", "{half}", "--late-rotation", "-o", "{new}"),
         "late rotation needs to know when lines are lit; declare [channel.outer.panel.scan]"),
    ],
)  # fmt: skip
def test_a_turn_that_cannot_be_is_one_line(capture, modules, tmp_path, arguments, part):
    places = {"fit": capture / "visor.fit.npz", "new": tmp_path / "new", **modules}
    done = run(*(argument.format(**places) for argument in arguments), "-q")
    assert done.exit_code == 2 and done.stdout == ""
    assert part in " ".join(done.stderr.split())
    assert list(tmp_path.iterdir()) == []
