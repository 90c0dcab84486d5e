"""`prewarp light`, `prewarp blend`, `prewarp sampling`: figures with units, pictures, bad input."""

import json
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import binary_erosion, uniform_filter

from prewarp.encoding import linear_from_srgb
from prewarp.grids import read_grid, write_grid
from prewarp.render.pictures import read_picture
from tests.cli.conftest import run
from tests.support import long_form

CHROMATICITY = """
[channel.{name}.chromaticity]
R = [0.68, 0.31]
G = [0.22, 0.70]
B = [0.14, 0.05]
white = [{x}, {y}]
"""


def only_json(done) -> dict:
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def keys_of(value):
    """Yield every key of nested dicts whose value is a number."""
    if isinstance(value, dict):
        for key, item in value.items():
            if isinstance(item, (int, float)) and not isinstance(item, bool):
                yield key
            # Numbers by channel name carry their unit in the key above.
            elif key.endswith(UNITS):
                continue
            yield from keys_of(item)
    elif isinstance(value, list):
        for item in value:
            yield from keys_of(item)


COUNTS = {"samples", "beyond_edge", "lines", "panel_degree", "pupil_degree"}
UNITS = (
    "_percent",
    "_deg",
    "_deg2",
    "_mm",
    "_px",
    "_per_deg",
    "_per_mm",
    "_relative",
    "_per_panel_px",
    "_arcmin_per_mm",
)


def require_units(found):
    without = {key for key in keys_of(found) if not key.endswith(UNITS)} - COUNTS
    assert not without, without


@pytest.fixture(scope="module")
def lit(capture, tmp_path_factory):
    """The capture with luminances: the outer channel is a fifth dimmer, both fall off to the rim."""
    folder = tmp_path_factory.mktemp("lit")
    grid = read_grid(capture / "grid.csv")
    off = (grid.pixel / [640.0, 480.0] * 2.0 - 1.0) ** 2
    dimmer = np.where(grid.channel == grid.channel_names.index("outer"), 0.8, 1.0)
    light = dimmer / (1.0 + 0.2 * off.sum(axis=1))
    write_grid(folder / "lit.npz", replace(grid, luminance=light))
    text = (capture / "visor.toml").read_text(encoding="utf-8")
    text += CHROMATICITY.format(name="inner", x=0.30, y=0.32) + CHROMATICITY.format(
        name="outer", x=0.32, y=0.34
    )
    (folder / "measured.toml").write_text(text, encoding="utf-8")
    return folder


def test_light_matches_and_looks(capture, lit, tmp_path):
    arguments = (
        "light", capture / "visor.fit.npz", lit / "lit.npz", "--module", capture / "visor.toml", "--bits", 10,
        "--pupil", "1.1,-0.7,0", "--json",
    )  # fmt: skip
    found = only_json(run(*arguments, "--picture", tmp_path / "light.png"))
    require_units(found)
    (seam,) = found["eyes"]["right"]["seam"]
    for colour in ("R", "G", "B", "white"):
        figures = seam["colors"][colour]
        assert figures["before"]["step_percent"] > 5.0
        # Panels of 11 px per degree: the window holds about one pixel, so the dither itself is seen.
        after = figures["after"]
        assert after["step_percent"] < 0.5
        assert after["step_percent"] <= after["step_bound95_percent"] < 0.6
        assert after["step_by_map_percent"] > 0.0
        assert after["ripple_bound95_percent"] > 0.0
    assert found["eyes"]["right"]["not_known"] == []
    match = found["eyes"]["right"]["match"]
    assert 50.0 < match["kept_percent"] < 90.0
    assert match["cost_percent"] == pytest.approx(100.0 - match["kept_percent"])
    assert {cost["limit_channel"] for cost in match["colors"]} == {"outer"}
    assert len(found["eyes"]["right"]["maps"]) == 6
    with Image.open(tmp_path / "light.png") as picture:
        assert picture.size == (760, 670)


def test_a_step_that_pupils_on_a_line_leave_open_is_not_known(capture, lit, tmp_path):
    grid = read_grid(lit / "lit.npz")
    write_grid(tmp_path / "line.npz", grid.take(np.flatnonzero(np.abs(grid.pupil_mm[:, 1]) < 0.1)))
    arguments = (
        "light", capture / "visor.fit.npz", tmp_path / "line.npz", "--module", capture / "visor.toml",
        "--pupil", "1,0,0",
    )  # fmt: skip
    eye = only_json(run(*arguments, "--json"))["eyes"]["right"]
    (gap,) = eye["not_known"]
    assert gap["quantity"] == "step_percent" and "spread over an area" in gap["needs"]
    after = eye["seam"][0]["colors"]["G"]["after"]
    assert after["step_percent"] is None and after["step_bound95_percent"] is None
    assert after["step_by_map_percent"] > 0.0
    told = " ".join(run(*arguments).stdout.split())
    assert "Step across the seam: not known: luminance was measured from pupil positions on one line" in told


def test_light_matches_the_white(capture, lit):
    done = run(
        "light", capture / "visor.fit.npz", lit / "lit.npz", "--module", lit / "measured.toml",
        "--white", "gains",
        "--pupil", "0,0,0", "--dither", "none", "--bits", 14, "--json",
    )  # fmt: skip
    eye = only_json(done)["eyes"]["right"]
    assert eye["match"]["white"]["kind"] == "gains" and eye["match"]["white"]["kept_percent"] < 100.0
    require_units(eye)
    (seam,) = eye["seam"]
    assert set(seam["colors"]) == {"white"}
    before, after = (seam["colors"]["white"][when] for when in ("before", "after"))
    # Nodes of these small panels' meshes lie 1.2 degrees apart; on real ones 0.3, figures a tenth.
    assert after["step_percent"] < 0.5 and before["step_percent"] > 5.0
    assert after["ripple_percent"] < 0.25 * before["ripple_percent"]


def test_blend_compares_the_policies(capture, tmp_path):
    done = run(
        "blend", capture / "visor.fit.npz", "--module", capture / "visor.toml", "--pupils", "2x1x1",
        "--picture", tmp_path / "blend.png", "--json",
    )  # fmt: skip
    eye = only_json(done)["eyes"]["right"]
    require_units(eye)
    fixed, following = eye["policies"]
    assert (fixed["policy"], following["policy"]) == ("fixed", "following")
    assert fixed["crawl_max_arcmin_per_mm"] == 0.0 < following["crawl_p95_arcmin_per_mm"]
    assert following["feather_least_deg"] >= fixed["feather_least_deg"]
    assert (
        [one["gap_deg2"] for one in eye["gaps"]] == [0.0, 0.0]
        and eye["impossible"] == {}
        and len(eye["overlap"]) == 2
    )
    with Image.open(tmp_path / "blend.png") as picture:
        assert picture.size == (1520, 640)


def test_blend_says_what_cannot_be_had(capture):
    done = run(
        "blend",
        capture / "visor.fit.npz",
        "--module",
        capture / "visor.toml",
        "--pupils",
        "2x1x1",
        "--feather",
        60,
    )
    assert done.exit_code == 0, done.output
    assert "fixed: not possible. feather is 60 degrees; the tightest overlap" in done.stdout
    assert "less than the feather of 60.00; the blend is steeper there" in done.stdout


def test_sampling_tells_scale_and_filters(capture, tmp_path):
    found = only_json(
        run(
            "sampling", capture / "visor.fit.npz", "--module", capture / "visor.toml",
            "--picture", tmp_path / "sampling.png", "--json",
        )
    )  # fmt: skip
    require_units(found)
    # 320 px over 90 degrees: 160 px per unit tangent, 2.79 px per degree in the middle; the panels have 11.
    for channel in found["channels"]:
        assert channel["scale_least_content_px_per_panel_px"] < 0.35
        assert channel["panel_finer_percent"] > 90.0 and channel["content_undersampled_percent"] == 0.0
    assert found["content_width_for_every_panel_px"] > 900
    for figures in found["filters"]:
        assert figures["kept_measured_percent"] == pytest.approx(figures["kept_mean_percent"], abs=0.2)
    with Image.open(tmp_path / "sampling.png") as picture:
        assert picture.size == (1180, 900)


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("light", "{fit}", "{grid}", "--module", "{module}"),
         "grid.csv: the grid has no column 'luminance'"),
        (("light", "{fit}", "{lit}", "--module", "{module}", "--white", "gains"),
         "has no measured chromaticities"),
        (("light", "{fit}", "{lit}", "--module", "{module}", "--eye", "left"), "no channel for the left eye"),
        (("light", "{fit}", "{lit}", "--module", "{module}", "--picture", "{lit}"), "is also an input"),
        (("light", "{fit}", "{lit}", "--module", "{module}", "--fall", "99"), "0.0<=x<=50.0"),
        (("blend", "{fit}", "--module", "{module}", "--pupils", "1x1x1"), "gives one position"),
        (("blend", "{fit}", "--module", "{module}", "--eye", "left"), "no channel for the left eye"),
        (("blend", "{grid}", "--module", "{module}"), "not a readable NPZ file"),
        (("sampling", "{fit}", "--module", "{grid}"), "grid.csv"),
        (("sampling", "{fit}", "--module", "{module}", "--pupil", "1,2"), "such as 3,0,0"),
    ],
)  # fmt: skip
def test_one_line_says_what_is_wrong(capture, lit, arguments, part):
    places = {
        "fit": capture / "visor.fit.npz",
        "grid": capture / "grid.csv",
        "module": capture / "visor.toml",
        "lit": lit / "lit.npz",
    }
    done = run(*(argument.format(**places) for argument in arguments))
    assert done.exit_code == 2 and done.stdout == "", done.output
    complaints = [line for line in done.stderr.splitlines() if line.startswith("prewarp: ")]
    assert len(complaints) == 1 and part in complaints[0] and "Traceback" not in done.stderr


def test_render_shows_the_light_that_is_measured(capture, lit, tmp_path):
    Image.new("RGB", (32, 16), (255, 255, 255)).save(tmp_path / "white.png")
    # From a little to the right: both channels are seen, and the seam between them.
    arguments = (
        "render", capture / "visor.fit.npz", "--module", capture / "visor.toml",
        "--scene", tmp_path / "white.png",
        "--width", 400, "--gl", "none", "--pupil", "1,0,0",
    )  # fmt: skip
    views = {}
    for name, more in (
        ("even", ()),
        ("unmatched", ("--light", lit / "lit.npz", "--unmatched")),
        ("matched", ("--light", lit / "lit.npz", "--dither", "blue")),
    ):
        report = only_json(run(*arguments, *more, "-o", tmp_path / name, "--json"))
        views[name] = linear_from_srgb(read_picture(tmp_path / name / "view_right.png") / 255.0)
        assert ("light" in report["eyes"]["right"]) == (name != "even")
    match = report["eyes"]["right"]["light"]
    require_units(match)
    level = match["match"]["colors"][0]["target_highest_relative"] / match["brightest_relative"]["G"]
    inside = binary_erosion(views["even"][..., 1] > 0.95, iterations=12)
    assert inside.sum() > 5000
    seen = {name: uniform_filter(view[..., 1], 9)[inside] for name, view in views.items()}
    assert np.ptp(seen["even"]) < 0.02
    # Matched: one level, that of the target. Unmatched: all of the light, uneven, and nowhere above white.
    np.testing.assert_allclose(seen["matched"], level, rtol=0.02)
    assert np.ptp(seen["unmatched"]) > 0.1 and seen["unmatched"].mean() > 1.1 * level
    assert views["unmatched"].max() <= 1.0


def test_render_asks_for_light_where_a_match_is_left_out(capture, tmp_path):
    done = run(
        "render",
        capture / "visor.fit.npz",
        "--module",
        capture / "visor.toml",
        "--unmatched",
        "-o",
        tmp_path / "x",
    )
    assert done.exit_code == 2 and "--light" in done.stderr and not (tmp_path / "x").exists()


@long_form
def test_preview_and_film_match_the_light(capture, lit, tmp_path):
    Image.new("RGB", (32, 16), (255, 255, 255)).save(tmp_path / "white.png")
    # The bare fit has no module beside it here.
    fit = tmp_path / "alone.fit.npz"
    fit.write_bytes((capture / "visor.fit.npz").read_bytes())
    looks = ("--scene", tmp_path / "white.png", "--pupil", "1,0,0", "--no-numbers", "--gl", "none")
    light = ("--module", capture / "visor.toml", "--light", lit / "lit.npz")
    spread = {}
    for name, more in (("even", light[:2]), ("matched", light)):
        picture = tmp_path / f"{name}.png"
        done = run("preview", fit, *more, *looks, "--size", "400x250", "--offscreen", "-o", picture)
        assert done.exit_code == 0, done.output
        seen = linear_from_srgb(read_picture(picture) / 255.0)[..., 1]
        inside = binary_erosion(seen > 0.5 * np.median(seen[seen > 0.1]), iterations=12)
        assert inside.sum() > 5000
        spread[name] = np.ptp(uniform_filter(seen, 9)[inside]), np.median(seen[inside])
    assert max(spread["even"][0], spread["matched"][0]) < 0.02
    assert 0.5 < spread["matched"][1] < 0.9 < spread["even"][1]
    film = run(
        "film", fit, *light, *looks, "--size", "160x100", "--seconds", 0.1, "--fps", 20,
        "-o", tmp_path / "film"
    )  # fmt: skip
    assert film.exit_code == 0, film.output


def test_preview_needs_a_module_for_the_light(capture, lit, tmp_path):
    fit = tmp_path / "alone.fit.npz"
    fit.write_bytes((capture / "visor.fit.npz").read_bytes())
    done = run("preview", fit, "--light", lit / "lit.npz", "--offscreen", "-o", tmp_path / "x.png")
    assert (
        done.exit_code == 2 and "Name one with --module" in done.stderr and not (tmp_path / "x.png").exists()
    )


def test_light_of_one_eye_in_a_fit_of_two(capture, lit, tmp_path):
    """Each eye has one channel: the other eye's is in the fit, its luminance is not asked for."""
    Image.new("RGB", (32, 16), (255, 255, 255)).save(tmp_path / "white.png")
    text = (capture / "visor.toml").read_text(encoding="utf-8")
    assert text.count('eye = "right"') == 2
    module = tmp_path / "both.toml"
    module.write_text(text.replace('eye = "right"', 'eye = "left"', 1), encoding="utf-8")
    arguments = (
        capture / "visor.fit.npz",
        "--module",
        module,
        "--scene",
        tmp_path / "white.png",
        "--gl",
        "none",
    )
    light = ("--light", lit / "lit.npz")
    report = only_json(run("render", *arguments, *light, "--width", 200, "-o", tmp_path / "seen", "--json"))
    assert set(report["eyes"]) == {"left", "right"}
    for eye in report["eyes"]:
        seen = linear_from_srgb(read_picture(tmp_path / "seen" / f"view_{eye}.png") / 255.0)[..., 1]
        inside = binary_erosion(seen > 0.3, iterations=8)
        assert inside.sum() > 500 and np.ptp(uniform_filter(seen, 9)[inside]) < 0.02
    picture = tmp_path / "left.png"
    done = run(
        "preview", *arguments, *light, "--eye", "left", "--no-numbers", "--size", "200x120",
        "--offscreen", "-o", picture
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert read_picture(picture).max() > 100
