"""The commands about the seam: register, focus, sensitivity, budget, eyes; what they say and refuse."""

import json
import re

import numpy as np
import pytest
from PIL import Image

from prewarp.field import FieldSet
from prewarp.field.mount import Mount
from prewarp.seam import build_seam, overlaps, sensitivity_map
from tests.cli.conftest import CHANNEL, MODULE, run

UNITS = (
    "_arcmin", "_mm", "_ms", "_deg", "_dioptres", "_percent", "_hz", "_ratio", "_arcmin_per_mm", "_m",
    "_deg_per_s",
)  # fmt: skip
HEADER = (
    "channel_a,channel_b,color,eye_x_mm,eye_y_mm,eye_z_mm,panel_a_u_px,panel_a_v_px,panel_b_u_px,panel_b_v_px"
)
SEAMS: dict = {}
# Numbers that have no unit: how many, which one.
COUNTS = {"pairs", "directions", "time_samples", "seed", "pupils", "depth_ratio", "value", "sigma"}


@pytest.fixture(autouse=True)
def seams_built_once(monkeypatch):
    """All these commands look at one fit: its seams are built once for each set of channels."""

    def build(fields, /, *, pupils_mm, channels, **options):
        key = (tuple(channels), np.asarray(pupils_mm).tobytes())
        if key not in SEAMS:
            SEAMS[key] = build_seam(fields, pupils_mm=pupils_mm, channels=channels, **options)
        return SEAMS[key]

    monkeypatch.setattr("prewarp.eye.build_seam", build)


def only_json(done, code=0) -> dict:
    assert done.exit_code == code, done.output
    return json.loads(done.stdout)


def assert_units(found, path=""):
    """Every number stands under a key that ends in its unit, or is a count."""
    for key, value in found.items() if isinstance(found, dict) else enumerate(found):
        place = f"{path}.{key}" if isinstance(key, str) else path
        if isinstance(value, dict | list):
            assert_units(value, place)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            parts = place.split(".")
            named = any(part.endswith(UNITS) for part in parts) or parts[-1] in COUNTS
            assert named or parts[-1].endswith("rows"), place


@pytest.fixture(scope="module")
def pairs_file(capture, tmp_path_factory):
    """Pairs seen when the outer channel sits askew."""
    fields = FieldSet.load(capture / "visor.fit.npz")
    truth = fields.mounted({"outer": Mount((0.2, -0.3, 0.25))}, provenance={})
    random = np.random.default_rng(1)
    tangent = np.tan(np.radians(random.uniform([-1.5, -10.0], [1.5, 10.0], (40, 2))))
    pupil = random.uniform([-2, -2, 0], [2, 2, 0], (40, 3))
    points = [truth.field(name, "G").inverse(tangent, pupil_mm=pupil).pixel for name in ("inner", "outer")]
    assert np.isfinite(points).all()
    lines = [
        ",".join(["inner", "outer", "G", *(repr(float(value)) for value in (*e, *a, *b))])
        for e, a, b in zip(pupil, *points, strict=True)
    ]
    path = tmp_path_factory.mktemp("pairs") / "pairs.csv"
    path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    return path


def test_register_writes_a_fit_that_is_turned(capture, pairs_file, tmp_path):
    output = tmp_path / "registered.npz"
    found = only_json(run("register", capture / "visor.fit.npz", pairs_file, "-o", output, "--json"))
    assert_units({key: value for key, value in found.items() if key != "channels"})
    assert found["written"] is True and found["pairs"] == 40 and found["reference"] == "inner"
    np.testing.assert_allclose(found["channels"][0]["turn_deg"], [0.2, -0.3, 0.25], atol=1e-5)
    assert found["mismatch_after_rms_arcmin"] < 1e-3 < found["mismatch_before_rms_arcmin"]
    registered = FieldSet.load(output)
    np.testing.assert_allclose(registered.field("outer", "R").mount.turn_deg, [0.2, -0.3, 0.25], atol=1e-5)
    assert registered.provenance["registered_against"] == "inner"
    assert registered.provenance["pairs"] == "pairs.csv" and len(registered.provenance["pairs_sha256"]) == 64
    for one in found["channels"][0]["parameters"].values():
        low, high = one["interval95"]
        assert low < one["value"] < high and high - one["value"] > 1.96 * one["sigma"] * 0.95
    text = run("register", capture / "visor.fit.npz", pairs_file, "-o", output).stdout
    assert "turn y" in text and "written" in text


def test_register_writes_nothing_when_pairs_cannot_fix_a_parameter(capture, pairs_file, tmp_path):
    lines = pairs_file.read_text(encoding="utf-8").splitlines()
    (tmp_path / "one.csv").write_text("\n".join([lines[0], *[lines[1]] * 5]) + "\n", encoding="utf-8")
    output = tmp_path / "registered.npz"
    found = only_json(
        run("register", capture / "visor.fit.npz", tmp_path / "one.csv", "-o", output, "--json"), code=1
    )
    assert found["written"] is False and not output.exists()
    assert "the pairs do not determine turn_" in found["findings"][0]
    held = run(
        "register",
        capture / "visor.fit.npz",
        tmp_path / "one.csv",
        "-o",
        output,
        "--hold",
        "turn_z_deg",
        "-q",
    )
    assert held.exit_code == 0 and output.exists() and held.output == ""


def test_focus_says_that_no_warp_mends_it(capture, tmp_path):
    arguments = ("focus", capture / "visor.fit.npz", "--module", capture / "visor.toml")
    found = only_json(run(*arguments, "--json"))
    assert_units(found)
    assert found["warp_mends_it"] is False and "A warp" in found["note"] and len(found["published"]) >= 4
    (seam,) = found["eyes"]["right"]["seams"]
    # Both image planes stand 1.5 m ahead of their channels' axes, 15 degrees to either side.
    for channel in found["eyes"]["right"]["channels"]:
        assert channel["image_vergence_mean_dioptres"] == pytest.approx(1.0 / 1.5, abs=0.05)
        assert channel["image_vergence_axial_mean_dioptres"] > channel["image_vergence_mean_dioptres"]
        assert 0.0 < channel["image_vergence_sigma_dioptres"] < 0.1
    assert seam["focus_step_rms_dioptres"] < 0.1 and seam["focus_step_sigma_dioptres"] > 0.0
    text = run(*arguments, "--picture", tmp_path / "focus.png").stdout
    with Image.open(tmp_path / "focus.png") as picture:
        assert picture.size == (820, 880)
    assert "along the ray" in text and "axial" in text
    assert "Campbell" in text and "A warp moves the picture within its image plane" in text


def test_sensitivity_agrees_with_the_library(capture, tmp_path):
    arguments = (
        "sensitivity",
        capture / "visor.fit.npz",
        "--module",
        capture / "visor.toml",
        "--pupils",
        "2x2x1",
    )
    found = only_json(run(*arguments, "--error", 0.4, "--json", "--picture", tmp_path / "map.png"))
    assert_units(found)
    fields = FieldSet.load(capture / "visor.fit.npz")
    corners = np.array([[x, y, 0.0] for x in (-3.0, 3.0) for y in (-3.0, 3.0)])
    (overlap,) = overlaps(build_seam(fields, pupils_mm=corners), step_deg=1.0)
    pair = [fields.field(name, "G") for name in overlap.channels]
    expected = sensitivity_map(*pair, overlap.tangent, pupils_mm=corners)
    (seam,) = found["eyes"]["right"]["seams"]
    assert seam["fixed_worst_arcmin"]["max_arcmin"] == pytest.approx(expected.fixed_worst_arcmin.max())
    assert seam["tracked_worst_arcmin"] == pytest.approx(0.4 * expected.tracked_worst_arcmin_per_mm.max())
    with Image.open(tmp_path / "map.png") as picture:
        assert picture.size == (860, 720)


def test_budget_gives_verdict_frontier_and_picture(capture, tmp_path):
    arguments = (
        "budget", capture / "visor.fit.npz", "--module", capture / "visor.toml", "--samples", 1000,
        "--directions", 3,
        "--limit", 0.05,
    )  # fmt: skip
    found = only_json(run(*arguments, "--json", "--picture", tmp_path / "budget.png"))
    assert_units(found)
    (seam,) = found["eyes"]["right"]["seams"]
    assert seam["limit"] == {"seam_arcmin": 0.05, "percentile_percent": 95.0, "focus_dioptres": 0.6}
    assert seam["tracked"]["p95_arcmin"] < seam["fixed"]["p95_arcmin"]
    assert seam["verdict"] in ("tracker meets the limit", "better tracker needed")
    low, high = seam["tracked"]["p95_interval95_arcmin"]
    assert low < seam["tracked"]["p95_arcmin"] < high and seam["interval_below_2_percent"] is False
    assert seam["saccades"] == "natural" and seam["other_saccades"]["saccades"] == "reflexive"
    assert {one["term"] for one in seam["terms"]} >= {"accuracy", "latency", "residual"}
    with Image.open(tmp_path / "budget.png") as picture:
        assert picture.size == (1500, 720)
    text = run(*arguments, "--residual", 1.0, "--lookup", "2x2x1").stdout
    assert re.search("No tracker will do: even a tracker without error leaves", " ".join(text.split()))


@pytest.fixture(scope="module")
def both_eyes(tmp_path_factory):
    """A module whose two channels belong to an eye each."""
    channels = CHANNEL.format(name="inner", low=-40, high=10).replace('"right"', '"left"')
    path = tmp_path_factory.mktemp("module") / "both.toml"
    path.write_text(MODULE + channels + CHANNEL.format(name="outer", low=-10, high=40), encoding="utf-8")
    return path


def test_eyes_name_published_figures_and_caution(capture, both_eyes, pairs_file, tmp_path):
    arguments = ("eyes", capture / "visor.fit.npz", "--module", both_eyes)
    found = only_json(run(*arguments, "--json"))
    assert_units({key: value for key, value in found.items() if key != "published"})
    assert found["states"]["centred"]["dipvergence_max_arcmin"] < 1e-3
    assert found["states"]["converged_fixed"]["horizontal_p50_arcmin"] > 0.5
    for state in found["states"].values():
        # An arcmin is 0.290888 mrad; over 63 mm between the pupils that is 4.61727e-3 dioptres.
        expected = state["horizontal_max_arcmin"] * 4.61727e-3
        assert state["vergence_max_dioptres"] == pytest.approx(expected, rel=1e-5)
    assert found["states"]["eye_box_fixed_worst"]["dipvergence_max_arcmin"] > 10.0
    assert "qualified people" in found["caution"] and found["published"][0]["quoted_from_memory"] is True
    # What the eyes really look through: the outer channel, here the right eye's, turned.
    turned = tmp_path / "turned.npz"
    assert run("register", capture / "visor.fit.npz", pairs_file, "-o", turned, "-q").exit_code == 0
    other = only_json(run(*arguments, "--true", turned, "--json"))
    # 0.2 degree about x moves the right eye's picture down by 12 arcmin.
    assert other["states"]["centred"]["dipvergence_p50_arcmin"] == pytest.approx(12.0, abs=4.0)
    assert "qualified people" in " ".join(run("eyes", "--help").stdout.split())


@pytest.mark.parametrize("command", ["budget", "sensitivity", "blend"])
def test_one_channel_an_eye_is_a_display_without_a_seam(capture, both_eyes, command):
    done = run(command, capture / "visor.fit.npz", "--module", both_eyes)
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines() == [
        "test visor, left eye: one channel, 'inner'; there is no seam.",
        "test visor, right eye: one channel, 'outer'; there is no seam.",
    ]
    found = only_json(run(command, capture / "visor.fit.npz", "--module", both_eyes, "--json"))
    for eye in found["eyes"].values():
        assert "there is no seam" in eye["note"] and eye["policies" if command == "blend" else "seams"] == []


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("register", "{fit}", "{missing}", "-o", "{new}"), "not found; expected a table of seam pairs"),
        (("register", "{fit}", "{grid}", "-o", "{new}"), "columns missing: channel_a, channel_b"),
        (("register", "{fit}", "{pairs}", "-o", "{pairs}"), "is also an input"),
        (("register", "{fit}", "{pairs}", "-o", "{new}", "--reference", "middle"),
         "reference channel 'middle' has no pairs"),
        (("focus", "{fit}", "--module", "{module}", "--eye", "left"), "no channel for the left eye"),
        (("sensitivity", "{fit}", "--module", "{module}", "--pupils", "0x1x1"), "expected 1 to 33"),
        (("budget", "{fit}", "--module", "{module}", "--accuracy", "-1"), "not in the range 0.0<=x<=20"),
        (("budget", "{fit}", "--module", "{module}", "--lookup", "1x5x1"), "nodes is (1, 5, 1)"),
        (("eyes", "{fit}", "--module", "{module}"), "no channel for the left eye; disparity needs both"),
    ],
)  # fmt: skip
def test_one_line_says_what_is_wrong(capture, pairs_file, both_eyes, tmp_path, arguments, part):
    places = {
        "grid": capture / "grid.csv",
        "module": capture / "visor.toml",
        "fit": capture / "visor.fit.npz",
        "pairs": pairs_file,
        "both": both_eyes,
        "missing": tmp_path / "missing.csv",
        "new": tmp_path / "new.npz",
    }
    done = run(*(argument.format(**places) for argument in arguments), "-q")
    assert done.exit_code == 2 and done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith("prewarp: ") and part in line
    assert list(tmp_path.iterdir()) == []
