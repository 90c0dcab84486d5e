"""Where cameras stand: what is chosen is better than what is not, and says what a capture then shows."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from prewarp.cli.commands.line_positions import positions
from prewarp.line.figures import Judge
from prewarp.line.shapes import mode_shapes
from prewarp.line.solve import solved
from prewarp.line.unit import LineSettings, UnitWork
from tests.line_units import captured_unit, unit_design


@pytest.fixture(scope="module")
def written(line, tmp_path_factory):
    """Return the folder that the command wrote, and what its JSON says of every number of positions."""
    place = tmp_path_factory.mktemp("positions") / "positions"
    done = CliRunner().invoke(positions, [str(line[1]), "--most", "4", "-o", str(place), "--quiet"])
    assert done.exit_code == 0, done.output
    return place, json.loads((place / "positions.json").read_text(encoding="utf-8"))["choices"]


def test_chosen_positions_are_better_than_others(written):
    claimed = [one["rms_px"] for one in written[1]]
    assert all(a > b for a, b in zip(claimed, claimed[1:], strict=False))
    for one in written[1]:
        drawn = one["random_rms_px"]
        assert one["rms_px"] <= drawn["best"] * (1.0 + 1e-9)
        assert drawn["best"] <= drawn["median"] <= drawn["worst"]
        assert one["regular_rms_px"] is None or one["rms_px"] <= one["regular_rms_px"]
    assert [one["regular_rms_px"] is None for one in written[1]] == [False, True, True, False]


def test_a_unit_captured_there_is_known_as_said(written, line, optics):
    """The claim of a plan against that of a capture, whose dots and noise are its own."""
    module, design = optics
    two = np.array(written[1][1]["positions_mm"])
    work = UnitWork(line[0], LineSettings())
    views, shots = work.views(captured_unit(unit_design(design, 4), module, two, 4, directions=(19, 17)))
    posterior = solved(work.family, views, shots, work.settings.prior)
    count = work.family.count
    claimed = Judge.of(work.family).rms_px(posterior.covariance[:count, :count])
    assert written[1][1]["rms_px"] == pytest.approx(claimed, rel=0.25)


def test_modes_are_told_by_size(line):
    shapes = mode_shapes(line[0])
    sizes = [one.rms_px for one in shapes]
    assert len(shapes) == line[0].count and sizes == sorted(sizes, reverse=True)
    # 0.05 mm of a panel of 13.8 um pixels: 3.6 px, whatever lies before it.
    panel = next(one for one in shapes if one.label == "panel: decentre_mm x" and one.channel == "inner")
    assert panel.rms_px == pytest.approx(50.0 / 13.8, rel=0.01)


def test_the_command_writes_positions_and_pictures(written):
    place, told = written
    rows = (place / "positions.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0] == "pupil_x_mm,pupil_y_mm,pupil_z_mm"
    assert np.allclose(told[1]["positions_mm"], [list(map(float, row.split(","))) for row in rows[1:]])
    for name in ("positions.png", "modes.png"):
        with Image.open(place / name) as picture:
            assert picture.size[0] == 1500
