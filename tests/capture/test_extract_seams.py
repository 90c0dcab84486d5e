"""Seam frames to the pairs table that `register` reads."""

import json
from copy import copy

import numpy as np
import pytest

from prewarp.capture.extract.seams import Pairs
from prewarp.capture.plan import Plan, read_plan, write_plan
from prewarp.capture.seam_marks import SeamMarks, read_seam_marks, write_seam_marks
from prewarp.errors import CaptureError
from prewarp.registration import read_pairs
from tests.capture.disc_folder import camera, row, save, write_capture
from tests.capture.discs import Lens, Scene
from tests.cli.conftest import run

PUPIL = (1.0, -0.5, 0.5)


def with_dots(scene, panel):
    """Return a scene that shows other dots through the same lens."""
    other = copy(scene)
    vars(other).pop("_pixels", None)
    other.panel, other.place = panel, scene.lens(panel)
    other.radii, other.strength = np.full(len(panel), scene.radius_px), np.ones(len(panel))
    other._stamps = other._stamped(panel, np.zeros(2))
    return other


def scene(pose, channel, number):
    lens = Lens(scale=0.25, shift_px=(-60.0 if channel == "inner" else 60.0, 0.0), k=0.05)
    return Scene(lens=lens, dots=(11, 9), quadrature=(4, 12), seed=number, number=int(channel == "outer"))


def overlapping(scenes):
    """Return panel points on half px of two channels, seen some px apart."""
    inner, outer = scenes["p0", "inner"].lens, scenes["p0", "outer"].lens
    u, v = np.meshgrid(np.linspace(700.0, 1400.0, 5), np.linspace(250.0, 1050.0, 4))
    pixel_a = np.round(2.0 * np.stack([u, v], axis=-1).reshape(-1, 2)) / 2.0
    wanted = inner(pixel_a) + [1.5, -0.8]
    pixel_b = pixel_a.copy()
    for _ in range(20):
        pixel_b = pixel_b + (wanted - outer(pixel_b)) / 0.25
    return pixel_a, np.round(2.0 * pixel_b) / 2.0


@pytest.fixture
def folder(tmp_path):
    made = write_capture(tmp_path / "capture", {"p0": PUPIL}, channels=("inner", "outer"), scene=scene)
    points = overlapping(made.scenes)
    plan = read_plan(made.path / "plan.csv").photographs
    rows = [
        row(len(plan) + k, "p0", channel, "seam", 0, PUPIL) for k, channel in enumerate(("inner", "outer"))
    ]
    write_plan(Plan((*plan, *rows)), made.path / "plan.csv")
    write_seam_marks([SeamMarks(("inner", "outer"), "G", *points, 8.0)], made.path / "seam.csv")
    for one, panel in zip(rows, points, strict=True):
        shown = with_dots(made.scenes["p0", one.channel], panel)
        save(shown.exposed(shown.light(np.ones(len(panel)))), made.path / "shots" / one.file)
    return made, points


def test_pairs_are_what_register_reads(folder, tmp_path):
    """Steps against the angles between the true rays, right and up at the middle of the two."""
    made, (pixel_a, pixel_b) = folder
    done = run(*made.command, "-o", tmp_path / "bench.npz", "--json", "--no-pictures")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["seam_pairs"] == 20 and told["notes"] == []
    pairs = read_pairs(tmp_path / "bench.extract" / "pairs.csv")
    assert np.array_equal(pairs.pixel_a, pixel_a) and np.array_equal(pairs.pixel_b, pixel_b)
    assert set(pairs.channel_a) == {"inner"} and set(pairs.channel_b) == {"outer"}
    assert np.array_equal(pairs.pupil_mm, np.tile(PUPIL, (20, 1)))
    rays = []
    for channel, pixel in (("inner", pixel_a), ("outer", pixel_b)):
        x, y = (made.scenes["p0", channel].lens(pixel) - [320.0, 256.0]).T / camera().focal_px[0]
        ray = np.stack([x, -y, np.ones_like(x)], axis=-1)
        rays.append(ray / np.linalg.norm(ray, axis=-1, keepdims=True))
    middle = rays[0] + rays[1]
    right = np.cross([0.0, 1.0, 0.0], middle)
    right /= np.linalg.norm(right, axis=-1, keepdims=True)
    up = np.cross(middle / np.linalg.norm(middle, axis=-1, keepdims=True), right)
    step = np.stack([np.sum((rays[1] - rays[0]) * axis, axis=-1) for axis in (right, up)], axis=-1)
    off = pairs.step_arcmin - step * 60.0 * 180.0 / np.pi
    assert np.abs(step[:, 0]).min() > 0.0 and np.median(np.abs(step)) * 3437.7 > 2.0
    assert np.sqrt(np.mean((off / pairs.sigma_arcmin[:, None]) ** 2)) == pytest.approx(1.0, abs=0.5)
    assert pairs.sigma_arcmin.max() < 0.05


def test_what_is_missing_is_told(folder, tmp_path):
    made, _ = folder
    (made.path / "shots" / "p0-outer-G-seam-0-20.png").unlink()
    done = run(*made.command, "-o", tmp_path / "bench.npz", "--json", "--no-pictures")
    told = json.loads(done.stdout)
    assert told["seam_pairs"] == 0
    assert any("seam frames of step 0: 0 of 20 pairs" in one for one in told["poses"]["p0"]["findings"])
    (made.path / "seam.csv").unlink()
    done = run(*made.command, "-o", tmp_path / "bench.npz")
    assert done.exit_code == 2 and "seam.csv" in done.stderr


def test_seam_dots_are_read_as_written(tmp_path):
    random = np.random.default_rng(0)
    made = [
        SeamMarks(("a", "b"), "G", *np.round(random.uniform(10, 90, (2, 3, 2))), 2.5),
        SeamMarks(("b", "c"), "G", *np.round(random.uniform(10, 90, (2, 2, 2))), 3.0),
    ]
    path = tmp_path / "seam.csv"
    write_seam_marks(made, path)
    for step, one in read_seam_marks(path).items():
        assert one.channels == made[step].channels and one.radius_px == made[step].radius_px
        assert np.array_equal(one.pixel_a, made[step].pixel_a)
        assert np.array_equal(one.pixel_b, made[step].pixel_b)
    path.write_text(path.read_text().replace("0,2,a,b,G", "0,2,a,c,G"), encoding="utf-8")
    with pytest.raises(CaptureError, match=r"seam.csv, row 4: step 0 has other channels"):
        read_seam_marks(path)


def test_pairs_of_a_channel_that_is_refused_go_with_it():
    names = np.array(["a", "b", "c"])
    points = np.zeros((3, 2))
    pairs = Pairs(names, np.array(["b", "c", "d"]), np.full(3, "G"), points, points, points, np.ones(3))
    assert pairs.without(["b"]).channel_a.tolist() == ["c"]
