"""Advice of `check` on a capture: how many pupil positions, in how many planes, how noisy.

Truths: rays of the Erfle eyepiece traced by optiland, interpolated between n x n pupils by Lagrange's
formula, which knows nothing of fits; the closed form of `tests.synthetic`.
"""

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from prewarp.checking import check_grid, quick_check
from prewarp.checking.advice import TOO_LARGE
from prewarp.field import compare_grid, fit_grid
from prewarp.grids import grid_from_samples, read_grid, write_grid
from tests.certain_cases import PANEL, erfle
from tests.cli.conftest import run
from tests.synthetic import make_grid, pupil_lattice, two_channels

KINDS = ("pupils_needed", "one_plane", "noise")
HALF_MM, RAYS = 4.0, 400
TURNED = {"straight": (21.0, {}), "tilted": (15.0, {"pitch_deg": 9.0, "shift_mm": 4.0})}
LINE = np.array([(x, 0.0, 0.0) for x in (-4.0, -2.0, 0.0, 2.0, 4.0)])


def remark(result, kind):
    """Return the one finding of a kind."""
    (found,) = result.of(kind)
    assert found.severity == "remark" and found.rows == () and found.row_count == 0
    return found


@cache
def eyepiece(count, how, *, noise_px=0.0, points=17):
    """Return a capture of one lattice of directions from each of count x count pupils."""
    pupils = pupil_lattice(count)
    half_deg, turned = TURNED[how]
    axis = np.tan(np.radians(np.linspace(-half_deg, half_deg, points)))
    ty, tx = (one.ravel() for one in np.meshgrid(axis, axis, indexing="ij"))
    tangent = np.tile(np.stack([tx, ty], axis=-1), (len(pupils), 1))
    pupil = np.repeat(pupils, points * points, axis=0)
    pixel = erfle(tangent, pupil, **turned)
    seen = np.isfinite(pixel).all(axis=1) & (pixel > 0.0).all(axis=1) & (pixel < PANEL).all(axis=1)
    pixel = pixel + noise_px * np.random.default_rng(0).normal(size=pixel.shape)
    return grid_from_samples(
        channel=np.full(seen.sum(), "one"), colour=np.full(seen.sum(), "G"),
        pupil_mm=pupil[seen], tangent=tangent[seen], pixel=pixel[seen],
    )  # fmt: skip


@cache
def held_out(how):
    """Return directions and pupils anywhere in the capture, and their exact panel points."""
    half_deg, turned = TURNED[how]
    random = np.random.default_rng(1)
    tangent = np.tan(np.radians(random.uniform(-half_deg, half_deg, (RAYS, 2))))
    pupil = np.c_[random.uniform(-HALF_MM, HALF_MM, (RAYS, 2)), np.zeros(RAYS)]
    pixel = erfle(tangent, pupil, **turned)
    seen = (pixel > 0.0).all(axis=1) & (pixel < PANEL).all(axis=1)
    return tangent[seen], pupil[seen], pixel[seen]


@cache
def left_by_interpolation(count, how):
    """Return the RMS error, px, of interpolating exact rays between count x count pupils."""
    tangent, pupil, exact = held_out(how)
    axis = np.linspace(-HALF_MM, HALF_MM, count)

    def lagrange(x):
        others = [[b for b in axis if b != a] for a in axis]
        return [
            np.prod([(x - b) / (a - b) for b in rest], axis=0) for a, rest in zip(axis, others, strict=True)
        ]

    along_x, along_y = lagrange(pupil[:, 0]), lagrange(pupil[:, 1])
    between = np.zeros_like(exact)
    for i, x in enumerate(axis):
        for j, y in enumerate(axis):
            there = np.tile([x, y, 0.0], (len(tangent), 1))
            pixel = erfle(tangent, there, **TURNED[how][1])
            between += (along_x[i] * along_y[j])[:, None] * pixel
    return float(np.sqrt(np.mean(np.sum((between - exact) ** 2, axis=1))))


@pytest.mark.outside
@pytest.mark.parametrize("how", TURNED)
@pytest.mark.parametrize("noise_px", [0.0, 0.05])
@pytest.mark.parametrize("wanted_px", [1.0, 0.1, 0.04])
def test_so_many_pupils_leave_the_wanted_error_and_one_less_does_not(how, noise_px, wanted_px):
    capture = eyepiece(5, how, noise_px=noise_px)
    found = remark(check_grid(capture, wanted_px=wanted_px), "pupils_needed")
    needed = int(found.size.value)
    assert found.size.unit == "pupil positions each way"
    assert f"for {wanted_px:g} px this field needs {needed} x {needed} pupil positions" in found.text
    assert "Estimated" in found.mend
    assert left_by_interpolation(needed, how) <= wanted_px
    assert left_by_interpolation(needed - 1, how) > wanted_px / TOO_LARGE


@pytest.mark.outside
@pytest.mark.parametrize(("wanted_px", "needed"), [(1.0, 3), (0.1, 4)])
def test_captured_so_the_fit_keeps_the_wanted_error(wanted_px, needed):
    found = remark(check_grid(eyepiece(5, "tilted"), wanted_px=wanted_px), "pupils_needed")
    assert found.size.value == needed
    fields = fit_grid(eyepiece(needed, "tilted"), panel_size_px=PANEL)
    tangent, pupil, pixel = held_out("tilted")
    names = {"channel": np.full(len(pixel), "one"), "colour": np.full(len(pixel), "G")}
    truth = grid_from_samples(pupil_mm=pupil, tangent=tangent, pixel=pixel, **names)
    assert compare_grid(fields, truth).as_dict()["all"]["rms_px"] <= wanted_px


@pytest.mark.outside
def test_what_is_extrapolated_is_said_to_be():
    """Three positions each way do not show how small cubic terms are; noise hides those of degree 4."""
    few = remark(check_grid(eyepiece(3, "straight")), "pupils_needed")
    assert "above pupil degree 2 are extrapolated" in few.mend and "show no more" in few.mend
    assert left_by_interpolation(int(few.size.value), "straight") <= 0.1
    noisy = eyepiece(5, "straight", noise_px=0.05)
    hidden = remark(check_grid(noisy, wanted_px=0.01), "pupils_needed")
    assert "noise hides smaller terms" in hidden.mend
    assert left_by_interpolation(int(hidden.size.value), "straight") <= 0.01


def test_a_wrong_stage_is_not_taken_for_terms():
    """Positions off by 0.1 mm move whole shots by 0.17 px; the number asked for hardly rises."""
    grid = read_grid("calib/coaxial.grid.npz").select(colour="G")
    exact = remark(check_grid(grid), "pupils_needed")
    random = np.random.default_rng(0)
    positions, shot = np.unique(grid.pupil_mm, axis=0, return_inverse=True)
    step = 0.1 * random.normal(size=positions.shape) * [1.0, 1.0, 0.0]
    off = replace(grid, pupil_mm=grid.pupil_mm + step[shot.reshape(-1)])
    noisy = replace(off, pixel=off.pixel + 0.05 * random.normal(size=off.pixel.shape))
    found = remark(check_grid(noisy), "pupils_needed")
    assert exact.size.value == 4 and 4 <= found.size.value <= 5


def test_an_image_at_one_distance_needs_few():
    """From z = 0 tangents of a plane are linear in the pupil, and cosines of one at 1.5 m nearly so."""
    near = two_channels(distance_m=0.1)
    result = check_grid(make_grid(pupils=pupil_lattice(5), channels=near, points=13, noise_px=0.01))
    # At 0.1 m 4 mm of pupil are 0.04 of a tangent t; the cosine's quadratic term is of the order t 0.04^2.
    needed = remark(result, "pupils_needed").size.value
    far = check_grid(make_grid(pupils=pupil_lattice(5), points=13, noise_px=0.01))
    assert remark(far, "pupils_needed").size.value == 2 < needed <= 4
    assert result.figures["pupils_needed_each_way"] == {"inner": needed, "outer": needed}


@pytest.mark.parametrize(
    ("pupils", "points", "why"),
    [
        (pupil_lattice(1), 13, "three or more pupil positions each way (these show no motion of the pupil)"),
        (LINE, 13, "(these show motion of the pupil along x alone)"),
        (LINE[:, [1, 0, 2]], 13, "(these show motion of the pupil along y alone)"),
        (pupil_lattice(2), 13, "three or more pupil positions each way"),
        (pupil_lattice(5), 4, "more dots per pupil position"),
    ],
    ids=["one", "along x", "along y", "2 x 2", "few dots"],
)
def test_no_number_where_the_capture_does_not_tell(pupils, points, why):
    result = check_grid(make_grid(pupils=pupils, points=points, noise_px=0.03))
    found = remark(result, "pupils_needed")
    assert "not known: needs" in found.text and why in found.text
    assert "this field needs" not in found.text and found.size is None
    assert result.as_dict()["figures"]["pupils_needed_each_way"] == {"inner": None, "outer": None}
    assert "inner not known" in "\n".join(result.lines())


def test_positions_in_one_plane_are_told_once():
    alone = check_grid(make_grid(pupils=pupil_lattice(3), points=13, noise_px=0.03))
    found = remark(alone, "one_plane")
    assert "z = 0 mm" in found.text and "Alternate z by +-2 mm" in found.mend and "checker" in found.mend
    assert "error of its calibration" in found.text
    other = replace(make_grid(pupils=pupil_lattice(3), points=13))
    moved = replace(other, pupil_mm=other.pupil_mm + [0.0, 0.0, 1.5])
    assert "z = 1.5 mm" in remark(check_grid(moved), "one_plane").text


@pytest.mark.parametrize("pupils", [pupil_lattice(3, 4.0, (-2.0, 2.0)), pupil_lattice(1)])
def test_positions_in_several_planes_or_a_single_one_are_not(pupils):
    assert not check_grid(make_grid(pupils=pupils, points=13)).of("one_plane")


@pytest.mark.parametrize("kind", ["panel", "scattered"])
@pytest.mark.parametrize("noise_px", [0.03, 0.2])
def test_noise_is_what_was_put_in(kind, noise_px):
    result = check_grid(make_grid(kind, pupils=pupil_lattice(5), points=15, noise_px=noise_px, seed=4))
    found = remark(result, "noise")
    assert found.size.value == pytest.approx(noise_px, rel=0.08) and found.size.unit == "px"
    assert "more dots or more pupil positions" in found.mend


def test_noise_too_small_to_tell_is_not_stated():
    found = remark(check_grid(make_grid(pupils=pupil_lattice(5), points=17)), "noise")
    assert "less than 0.002 px" in found.text


def test_each_advice_comes_once_and_only_from_the_whole_check():
    grid = make_grid(pupils=pupil_lattice(5), points=13, noise_px=0.03)
    result = check_grid(grid)
    assert len(grid.pairs()) == 6 and result.passed
    assert [f.kind for f in result.findings if f.kind in KINDS] == list(KINDS)
    assert not [f for f in quick_check(grid).findings if f.kind in KINDS]


def test_the_command_takes_the_wanted_error_as_fit_does(tmp_path):
    path = tmp_path / "grid.npz"
    write_grid(path, make_grid(pupils=pupil_lattice(5), channels=two_channels(distance_m=0.1), points=13))
    counts = {}
    for wanted in ("0.001px", "0.1", "20px"):
        done = run("check", path, "--wanted-error", wanted, "--json")
        assert done.exit_code == 0, done.output
        found = json.loads(done.stdout)
        (one,) = [f for f in found["findings"] if f["kind"] == "pupils_needed"]
        assert set(one) >= {"severity", "kind", "text", "mend", "rows", "row_count", "pupil_mm", "region"}
        counts[wanted] = one["size"]["value"]
    assert counts["0.001px"] > counts["0.1"] > counts["20px"] == 2
    without = json.loads(run("check", path, "--json").stdout)
    (one,) = [f for f in without["findings"] if f["kind"] == "pupils_needed"]
    assert one["size"]["value"] == counts["0.1"]
    wrong = run("check", path, "--wanted-error", "0px")
    assert wrong.exit_code == 2 and "0.001px to 100px" in wrong.stderr
