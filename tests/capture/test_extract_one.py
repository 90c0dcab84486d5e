"""Marks that name themselves by their sizes: none wrong, islands, exchanged channels, and the command."""

import json

import numpy as np
import pytest

from prewarp.capture.extract.codeless import measure_one_frame
from prewarp.capture.extract.finding import find_blobs
from prewarp.capture.extract.frames import Frame, Sensor
from prewarp.capture.extract.lattice_walk import islands_of
from prewarp.capture.extract.one_frame import large_of, name_by_pattern
from prewarp.capture.plan import Plan, write_plan
from prewarp.grids import read_grid
from tests.capture.disc_folder import row, save, write_capture
from tests.capture.discs import Faulty, Lens, Scene
from tests.capture.extraction import FOUND, marks_of
from tests.cli.conftest import run


def scene_of(seed, **changes):
    random = np.random.default_rng(seed)
    k = random.uniform(-0.3, 0.4)
    turn = (0.0, 90.0, 180.0, 270.0)[seed % 4]
    scale = (0.36 if turn % 180.0 == 0.0 else 0.28) * (0.8 if k > 0.1 else 1.1 if k < -0.1 else 1.0)
    lens = Lens(k=k, turn_deg=turn + random.uniform(-3.0, 3.0), mirrored=bool(seed // 4 % 2), scale=scale)
    known = {"lens": lens, "named_by_size": True, "seed": seed, "quadrature": (3, 10), "vignetting": 0.1}
    return Scene(**{**known, **changes})


def seen(scene, electrons=None, others=None, marks=None):
    """Return the view of one photograph of a scene."""
    values = scene.exposed(scene.light(np.ones(len(scene.panel))) if electrons is None else electrons)
    frames = [Frame("whole", 0, 20.0, "a.png", lambda: values)]
    return measure_one_frame(
        frames, marks or marks_of(scene), Sensor(scene.black, scene.full_scale), others or {}
    )


@pytest.mark.parametrize("seed", [1])
def test_every_mark_is_named_whatever_the_turn(seed):
    scene = scene_of(seed, quadrature=(6, 20))
    view = seen(scene)
    good = view.measured.state == FOUND
    error = (view.measured.place - scene.place[view.mark])[good]
    assert np.count_nonzero(good) >= 0.99 * len(scene.panel)
    assert np.abs(error).max() < 0.03
    # One photograph of 9,000 e: noise is known from what the fitted pictures leave.
    sigma = np.sqrt(np.einsum("nii->n", view.measured.covariance[good]) / 2.0)
    assert np.sqrt(np.mean((error / sigma[:, None]) ** 2)) == pytest.approx(1.0, abs=0.15)
    assert 1.0 / view.measured.noise.shot == pytest.approx(scene.gain, rel=0.5)


@pytest.mark.parametrize("seed", [14, 16, 21])
def test_none_is_wrong_with_islands_and_what_is_hidden(seed):
    scene = scene_of(seed)
    faulty = Faulty(scene, seed=seed)
    blobs = find_blobs(scene.exposed(scene.light(np.ones(len(scene.panel))) * faulty.cover))
    named = name_by_pattern(blobs, marks_of(scene), {}, "a.png")
    assert named.problem == ""
    off = np.hypot(*(blobs.place[named.found.blob] - scene.place[named.found.mark]).T)
    assert len(off) > 150
    assert off.max() < 0.35 * named.found.spacing_px


def test_the_middle_mark_need_not_be_seen():
    scene = scene_of(8)
    scene._stamps[0][np.argmax(scene.radii)] = 0.0
    assert len(seen(scene).mark) >= 280


def test_what_cannot_be_named_is_refused():
    scene = scene_of(0)
    few = scene.light((np.arange(289) % 17 < 4) & (np.arange(289) < 17 * 6))
    assert "spots of light lie on one lattice" in seen(scene, few).refused
    alike = scene_of(0, named_by_size=False)
    assert "sizes fit no single place" in seen(alike, marks=marks_of(scene)).refused
    other = scene_of(0, number=1)
    refused = seen(other, others={"outer": marks_of(other)}, marks=marks_of(scene)).refused
    assert "shows the marks of channel 'outer'" in refused and "Rename them" in refused


def test_a_bent_lattice_is_counted_outward():
    """Steps are those that the lattice was made of, up to a turn or mirror image."""
    step = np.stack(np.meshgrid(np.arange(12), np.arange(9)), axis=-1).reshape(-1, 2)
    place = Lens(k=0.3, turn_deg=25.0)(step * 100.0 + 300.0)
    (island,) = islands_of(place, (np.arange(108) == 53).astype(float), 25)
    assert len(island.blob) == 108 and island.blob[0] == 53
    turn = np.linalg.lstsq(step[island.blob] - step[53], island.step, rcond=None)[0]
    assert np.abs(np.round(turn)).sum() == 2 and np.abs(np.linalg.det(turn)) == pytest.approx(1.0)
    assert np.array_equal((step[island.blob] - step[53]) @ np.round(turn), island.step)


def test_a_lattice_with_a_hole_is_no_pattern():
    marks = marks_of(scene_of(0))
    assert large_of(marks).shape == (17, 17)
    holed = type(marks)(*(getattr(marks, name)[:-1] for name in ("number", "panel", "radius", "lit")))
    with pytest.raises(ValueError, match="288 marks in rows of 17"):
        large_of(holed)
    assert "marks.csv has 288 marks in rows of 17" in seen(scene_of(0), marks=holed).refused


def test_the_command_reads_a_one_frame_plan(tmp_path):
    folder = write_capture(
        tmp_path / "capture", {"p0": (0.0, 0.0, 0.0)},
        scene=lambda pose, channel, number: Scene(dots=(9, 8), quadrature=(3, 10), named_by_size=True),
    )  # fmt: skip
    scene = folder.scenes["p0", "inner"]
    rows = [row(k, "p0", "inner", "one", 0, colour=colour) for k, colour in enumerate("GR")]
    write_plan(Plan(tuple(rows)), folder.path / "plan.csv")
    for one in rows:
        save(scene.exposed(scene.light(np.ones(72))), folder.path / "shots" / one.file)
    done = run(*folder.command, "-o", tmp_path / "bench.npz", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["notes"] == []
    assert told["poses"]["p0"]["views"]["inner R"]["named_by_size"] == 72
    grid = read_grid(tmp_path / "bench.npz")
    assert len(grid) == 144 and grid.colour_names == ("G", "R")
    assert np.array_equal(grid.pixel, scene.panel[grid.extra["mark"]])
