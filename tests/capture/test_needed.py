"""How many positions and dots an error needs, and seam targets, from an earlier fit."""

import csv
import json
import math

import numpy as np
import pytest

from prewarp.capture.needed import DOT_NOISE_PX, capture_needed, traced_fit
from prewarp.capture.seam_marks import seam_marks
from prewarp.errors import CaptureError, PrewarpError
from prewarp.field import FieldSet
from prewarp.field.pupils_needed import pupils_needed
from prewarp.frames import arcmin_between
from prewarp.module import read_module
from prewarp.registration import read_pairs
from prewarp.trace import read_design
from tests.cli.conftest import capture, run  # noqa: F401  (a fixture)


@pytest.fixture(scope="module")
def files(capture):  # noqa: F811
    return FieldSet.load(capture / "visor.fit.npz"), read_module(capture / "visor.toml")


def test_positions_are_counted_as_fit_counts_them(files):
    fields, module = files
    needed = capture_needed(fields, module, wanted_px=0.05, positions=25, source="fit")
    for name, one in needed.positions.items():
        assert one == pupils_needed(fields.field(name, "G"), fields.captured[name], wanted_px=0.05)
    assert needed.planned_each_way() >= 5 and needed.noise_px == pytest.approx(0.02, rel=0.3)
    assert needed.is_noise_measured and len(needed.lines()) == 3


def test_dots_follow_from_noise_and_functions(files):
    """The floor that so many leave, by hand: sigma sqrt(parameters / samples), at most half of the wanted."""
    fields, module = files
    few = capture_needed(fields, module, wanted_px=1.0, positions=25, source="fit").dots_each_way
    functions = max(field.expansion.panel.count for field in fields.fields.values())
    assert few == math.ceil(math.sqrt(3 * functions))
    dense = capture_needed(fields, module, wanted_px=2e-5, positions=25, source="fit")
    assert dense.dots_each_way > 41 and "--sines" in dense.lines()[-1] and "41 x 41" in dense.lines()[-1]
    for wanted in (2e-4, 1e-3):
        needed = capture_needed(fields, module, wanted_px=wanted, positions=25, source="fit")
        floors = [
            needed.noise_px * math.sqrt(one.parameters / (len(one.colours) * 25 * needed.dots_each_way**2))
            for one in fields.reports
        ]
        assert 0.9 * wanted / 2 < max(floors) <= wanted / 2
        fewer = capture_needed(fields, module, wanted_px=wanted, positions=100, source="fit").dots_each_way
        assert fewer == pytest.approx(needed.dots_each_way / 2, abs=1)


def test_a_fit_of_another_display_is_refused(files, tmp_path, capture):  # noqa: F811
    fields, module = files
    text = (capture / "visor.toml").read_text()
    for old, new, part in (
        ("[channel.outer", "[channel.upper", "no channel 'upper'; the fit has inner, outer"),
        ("width_px = 640", "width_px = 656", r"has \(640, 480\) px; the module says \(656, 480\)"),
    ):
        (tmp_path / "other.toml").write_text(text.replace(old, new))
        with pytest.raises(CaptureError, match=part):
            capture_needed(
                fields, read_module(tmp_path / "other.toml"), wanted_px=0.1, positions=None, source="a.npz"
            )


def test_seam_dots_of_a_pair_are_seen_in_one_direction(files):
    fields, module = files
    (seam,) = seam_marks(module, fields, radius_px=2.0)
    assert seam.channels == ("inner", "outer") and 8 <= len(seam.pixel_a) <= 24
    inner, outer = fields.field("inner", "G"), fields.field("outer", "G")
    first, second = (
        field.forward(pixel, pupil_mm=np.zeros(3))
        for field, pixel in ((inner, seam.pixel_a), (outer, seam.pixel_b))
    )
    # Places are rounded to half px: a quarter of a px each way and panel, 4.8 arcmin a px.
    assert arcmin_between(first, second).max() < 2 * math.hypot(0.25, 0.25) * 5.5
    for pixel in (seam.pixel_a, seam.pixel_b):
        assert np.array_equal(2.0 * pixel, np.round(2.0 * pixel))
        gaps = np.linalg.norm(pixel[:, None] - pixel[None], axis=-1)[np.triu_indices(len(pixel), 1)]
        assert gaps.min() >= 8.0 * 2.0 - 1.0
    assert np.ptp(seam.pixel_a[:, 1]) > 240


def test_the_command_plans_what_is_needed_and_writes_seam_targets(capture, tmp_path):  # noqa: F811
    done = run(
        "targets", capture / "visor.toml", "--fit", capture / "visor.fit.npz", "--positions", "2",
        "--no-light", "--dots", "5x5", "--wanted-error", "0.5px", "--json", "-o", tmp_path / "out",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    needed = json.loads(done.stdout)["needed"]
    assert needed["wanted_px"] == 0.5 and needed["dots_each_way"] >= 2 and needed["dot_noise_is_measured"]
    with (tmp_path / "out" / "seam.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert {row["channel_a"] for row in rows} == {"inner"} and len(rows) >= 8
    shots = [line for line in (tmp_path / "out" / "plan.csv").read_text().splitlines() if ",seam," in line]
    assert len(shots) == 2 * 2
    # Nothing was measured yet: who registers by it is told so.
    with pytest.raises(PrewarpError, match="columns missing: eye_x_mm"):
        read_pairs(tmp_path / "out" / "seam.csv")


def test_a_traced_design_says_what_is_needed(capture):  # noqa: F811
    """Rays have no noise; what their fit leaves is misfit. What a dot scatters is assumed, and said to be."""
    module = read_module("calib/coaxial.module.toml")
    fields = traced_fit(
        read_design("calib/coaxial.design.toml"), module, positions=(5, 5, 1), directions=(11, 9)
    )
    assert fields.colours == ("G",)
    needed = capture_needed(fields, module, wanted_px=0.5, positions=None, source="design", is_traced=True)
    assert needed.noise_px == DOT_NOISE_PX and not needed.is_noise_measured
    # Held to the finer trace of the demo by `prewarp fit`: 3 x 3 leave some 0.35 px, 2 x 2 some 3 px.
    assert needed.nodes in (2, 3) and needed.planned_each_way() == 5
    assert "(assumed)" in needed.lines()[-1] and needed.dots_each_way is not None
