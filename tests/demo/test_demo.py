"""The whole demo, once, on a machine where no OpenGL can be had."""

import json
import sys

import pytest

from prewarp.demo import MODULES
from prewarp.render.pictures import read_picture
from tests.cli.conftest import run

# Seam error 3 mm off the middle: the coaxial pair merges without a tracker, the folded one does not.
UNTRACKED_ARCMIN = {"coaxial": (0.1, 0.5), "folded": (2.0, 10.0)}
PICTURES = (
    *(f"{name}.png" for name in ("overview", "seam", "reach_and_seam", "light", "focus", "tracker")),
    *(f"residuals_{name}.png" for name in MODULES),
)


# What the two modules are there to show.
VERDICTS = {"coaxial": "no tracker needed", "folded": "better tracker needed"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "out"
    with pytest.MonkeyPatch.context() as patch:
        # None in sys.modules makes the import fail.
        patch.setitem(sys.modules, "moderngl", None)
        done = run("demo", "-o", folder)
    assert done.exit_code == 0, done.output
    return done, folder, json.loads((folder / "demo.json").read_text(encoding="utf-8"))


def test_says_which_renderer_stood_in(demo):
    done, _, figures = demo
    assert figures["renderer"].startswith("CPU renderer, standing in for a GPU: no OpenGL")
    assert figures["renderer"] in " ".join(done.stdout.split())


def test_prints_both_modules_and_its_progress(demo):
    done, _, _ = demo
    for text in ("coaxial", "folded", "seam error", "field of view", "overlap at eye level", "px per degree"):
        assert text in done.stdout.lower()
    assert "folded: fitted" in done.stderr and "folded: drawn" in done.stderr


def test_writes_its_pictures_and_nothing_else(demo):
    _, folder, _ = demo
    assert {path.name for path in folder.iterdir()} == {*PICTURES, "demo.json", ".prewarp"}
    for name in PICTURES:
        assert read_picture(folder / name).std() > 10.0


@pytest.mark.parametrize("name", MODULES)
def test_figures_hang_together(demo, name):
    module = demo[2]["modules"][name]
    fit, seam, reach = module["fit"], module["seam_error"], module["reach"]
    assert module["check"]["error"] == 0
    # Every outlier is at least 5 px off, a hundred times the noise.
    assert fit["outliers_named"] == fit["outliers_put_in"] > 200
    assert fit["truth"]["lost"] == 0
    assert seam["moved_tracked"]["rms_arcmin"] < 0.6 * seam["moved_untracked"]["rms_arcmin"]
    light, tracker = module["light"], module["tracker"]
    assert light["before"]["step_percent"] > 10.0 and light["after"]["step_percent"] < 0.5
    assert light["after"]["ripple_percent"] < 0.5 and 50.0 < light["kept_percent"] < 100.0
    assert tracker["verdict"] == VERDICTS[name]
    low, high = UNTRACKED_ARCMIN[name]
    assert low < seam["moved_untracked"]["rms_arcmin"] < high
    views = reach["field_of_view"]
    # Common practice: joined = sum of both less the overlap, on flat pictures within a degree or two.
    both = views["inner"]["horizontal_deg"] + views["outer"]["horizontal_deg"]
    assert both - reach["overlap_at_eye_level_deg"] == pytest.approx(
        views["joined"]["horizontal_deg"], abs=2.0
    )
    assert all(45.0 < value < 65.0 for value in reach["px_per_degree"].values())


def test_the_coaxial_fit_is_followed_to_the_noise(demo):
    fit = demo[2]["modules"]["coaxial"]["fit"]
    # Two axes of 0.05 px.
    assert fit["residual"]["rms_px"] == pytest.approx(0.05 * 2**0.5, rel=0.1)
    assert fit["truth"]["p95_px"] < 0.06
