"""Figure of surfaces, tolerances, and designs with moved keys."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from prewarp.errors import TraceError
from prewarp.trace import built_design, departures, drawn_design, read_design
from prewarp.trace.figure import degree_and_order, figure_and_slopes
from prewarp.trace.surfaces import Shape

FOLDED = Path(__file__).resolve().parents[2] / "calib" / "folded.design.toml"


@pytest.mark.outside
def test_zernike_terms_are_those_of_the_standard():
    # ANSI Z80.28: j = (n (n + 2) + m) / 2; Z_4 = sqrt 3 (2 r^2 - 1), Z_8 = sqrt 8 (3 r^3 - 2 r) cos a.
    assert [degree_and_order(j) for j in (0, 1, 2, 3, 4, 5, 8, 12)] == [
        (0, 0), (1, -1), (1, 1), (2, -2), (2, 0), (2, 2), (3, 1), (4, 0)
    ]  # fmt: skip
    x, y = np.array([0.3, -0.5]), np.array([0.4, 0.2])
    squared = x * x + y * y
    for place, truth in (
        (4, np.sqrt(3.0) * (2.0 * squared - 1.0)),
        (8, np.sqrt(8.0) * (3.0 * squared - 2.0) * x),
    ):
        value, _, _ = figure_and_slopes((0.0,) * place + (1.0,), 1.0, x, y)
        assert value == pytest.approx(truth, abs=1e-12)


def test_zernike_terms_are_orthonormal_over_the_circle():
    radius, angle = np.sqrt((np.arange(60) + 0.5) / 60.0), 2.0 * np.pi * np.arange(64) / 64
    x, y = (np.outer(radius, part(angle)).ravel() for part in (np.cos, np.sin))
    table = np.stack([figure_and_slopes((0.0,) * j + (1.0,), 1.0, x, y)[0] for j in range(21)])
    assert table @ table.T / x.size == pytest.approx(np.eye(21), abs=0.02)


def test_slopes_of_a_figure_are_its_derivatives():
    shape = Shape(-0.01, 0.5, (1e-7,), tuple(1e-4 * np.cos(np.arange(36.0))), 40.0)
    x, y, step = np.array([3.0, -20.0]), np.array([11.0, 7.0]), 1e-5
    normal = shape.normal(x, y)
    by_x = (shape.sag(x + step, y) - shape.sag(x - step, y)) / (2.0 * step)
    by_y = (shape.sag(x, y + step) - shape.sag(x, y - step)) / (2.0 * step)
    assert -normal[:, 0] / normal[:, 2] == pytest.approx(by_x, abs=1e-8)
    assert -normal[:, 1] / normal[:, 2] == pytest.approx(by_y, abs=1e-8)


def test_departures_move_the_keys_that_they_name():
    design = read_design(FOLDED)
    every = departures(design)
    assert len(every) == 90
    moved = built_design(design, every, np.array([one.sigma for one in every]))
    mirror, before = moved.channel("inner").surfaces[0], design.channel("inner").surfaces[0]
    assert mirror.decentre_mm == pytest.approx(np.array(before.decentre_mm) + 0.05)
    assert mirror.figure_um[12] == 0.15 and mirror.figure_um[4] == 0.0
    assert moved.channel("outer").surfaces[1].index_behind(532.0) == pytest.approx(
        design.channel("outer").surfaces[1].index_behind(532.0) + 5e-4
    )
    drawn = [
        drawn_design(design, np.random.default_rng(seed)).channel("inner").panel.gap_mm for seed in range(200)
    ]
    assert np.std(drawn) == pytest.approx(0.05, rel=0.2)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("radius_mm = -168.667\n", "figure_um"),
        ("tolerance = { decentre_mm = -1.0 }\n", "decentre_mm"),
        ("tolerance = { bent_mm = 0.1 }\n", "bent_mm"),
        ("tolerance = { index = 1e-3 }\n", "index"),
    ],
)
def test_a_wrong_tolerance_is_told(tmp_path, change, told):
    text = FOLDED.read_text()
    own = "tolerance = { decentre_mm = 0.05, tilt_deg = 0.03, gap_mm = 0.03, figure_um = 0.15 }\n"
    if told == "figure_um":
        text = text.replace("semi_aperture_mm = 65.0\n", "", 1)
    else:
        text = text.replace(own, change, 1)
    path = tmp_path / "visor.design.toml"
    path.write_text(text)
    with pytest.raises(TraceError, match=told):
        read_design(path)


def test_a_glass_of_a_melt_has_another_index():
    surface = read_design(FOLDED).channel("inner").surfaces[1]
    off = replace(surface, index_offset=2e-4)
    assert off.index_behind(587.6) - surface.index_behind(587.6) == pytest.approx(2e-4, abs=1e-12)
