"""Names: none wrong, whatever the faults; whole poses refused rather than guessed; photographs in a wrong
order.
"""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.extract.frames import Sensor
from prewarp.capture.extract.view import measure_view, name_view
from prewarp.errors import CaptureError
from tests.capture.discs import Faulty, Lens, Scene
from tests.capture.extraction import FOUND, frames_of, marks_of, outcome
from tests.support import LONG

# The long form takes all of them.
POSES, MEASURED = 100 if LONG else 40, 8


def faulty_scene(seed: int) -> Faulty:
    """Return a pose with every fault: turned by quarters, mirrored or not, k from -0.3 to 0.4."""
    random = np.random.default_rng(seed)
    k = random.uniform(-0.3, 0.4)
    turn = (0.0, 90.0, 180.0, 270.0)[seed % 4]
    scale = (0.36 if turn % 180.0 == 0.0 else 0.28) * (0.8 if k > 0.1 else 1.1 if k < -0.1 else 1.0)
    pitch = 1600.0 * 0.86 / 16.0 * scale
    aside = pitch * np.array([np.cos(seed), np.sin(seed)]) if seed % 2 else (pitch, 0.0)
    scene = Scene(
        lens=Lens(k=k, turn_deg=turn + random.uniform(-3.0, 3.0), mirrored=bool(seed // 4 % 2), scale=scale),
        ghost=0.05,
        ghost_px=tuple(aside),
        bright_e=13500.0,
        vignetting=0.02,
        quadrature=(3, 10),
        seed=seed,
    )
    return Faulty(scene, seed=seed, dead_column=int(random.integers(100, 500)))


def tally(seeds: range) -> dict[str, float]:
    """Return counts over poses: named, wrong (off by more than a third of the spacing), found, wanted,
    errors.
    """
    counts = dict.fromkeys(("named", "wrong", "found", "wanted", "refused", "off"), 0)
    squares, relative = [], []
    for seed in seeds:
        faulty = faulty_scene(seed)
        done = outcome(faulty.scene, faulty.frames())
        if done.view.measured is None:
            counts["refused"] += 1
            continue
        view, scene = done.view, faulty.scene
        off = np.hypot(*(view.measured.place - scene.place[view.mark]).T)
        counts["named"] += len(view.mark)
        third = 0.3 * view.figures["spacing_px"]
        counts["wrong"] += int(np.sum((off > third) & (view.measured.state == FOUND)))
        wanted = (faulty.covered < 1e-3) & (faulty.light > 0.05)
        state = np.full(len(scene.panel), "not seen", dtype="<U20")
        state[view.mark] = view.measured.state
        counts["wanted"] += int(wanted.sum())
        counts["found"] += int(np.sum(state[wanted] == FOUND))
        counts["off"] += int(np.sum(np.hypot(*done.error.T) > 0.05))
        counts.setdefault("accepted", 0)
        counts["accepted"] += len(done.mark)
        squares.append(np.mean(done.error**2))
        good = wanted[done.mark]
        relative.append(np.mean((done.error[good] / done.sigma[good, None]) ** 2))
    return {**counts, "rms": float(np.sqrt(np.mean(squares))), "ratio": float(np.sqrt(np.mean(relative)))}


def test_no_name_is_wrong_in_many_poses():
    """Names alone, all poses: each place named lies on the mark's own, but for what covers push aside."""
    named = 0
    for seed in range(MEASURED, POSES):
        faulty = faulty_scene(seed)
        scene = faulty.scene
        one = name_view(frames_of(faulty.frames()), marks_of(scene), Sensor(scene.black, scene.full_scale))
        assert one.refused == ""
        off = np.hypot(*(one.blobs.place[one.blob] - scene.place[one.mark]).T)
        assert off.max() < 0.35 * one.named.found.spacing_px
        named += len(one.mark)
    assert named > 200 * (POSES - MEASURED)


def test_faults_together():
    told = tally(range(MEASURED))
    assert told["wrong"] == 0
    assert told["refused"] == 0
    assert told["found"] >= 0.995 * told["wanted"]
    assert told["rms"] <= 0.006
    assert told["off"] <= 0.001 * told["accepted"]
    assert told["ratio"] <= 1.3


@pytest.fixture(scope="module")
def seen():
    scene = Scene()
    return scene, scene.frames()


def reordered(photographs, order):
    return [photographs[0], *(photographs[1 + k] for k in order)]


def test_two_frames_exchanged_are_named(seen):
    scene, photographs = seen
    order = list(range(13))
    order[3], order[7] = 7, 3
    view = outcome(scene, reordered(photographs, order)).view
    assert view.measured is None
    assert "4.png shows code frame 7, not 3" in view.refused
    assert "8.png shows code frame 3, not 7" in view.refused


@pytest.mark.parametrize(
    ("order", "words"),
    [(list(np.roll(np.arange(13), 3)), "3 places later"), (list(range(12, -1, -1)), "reverse order")],
)
def test_an_order_that_makes_sense_is_told(seen, order, words):
    scene, photographs = seen
    view = outcome(scene, reordered(photographs, order)).view
    assert view.measured is None
    assert words in view.refused


def test_no_order_at_all_is_refused(seen):
    scene, photographs = seen
    order = np.random.default_rng(0).permutation(13)
    view = outcome(scene, reordered(photographs, order)).view
    assert view.measured is None
    assert "agree with one smooth map" in view.refused


@pytest.mark.parametrize("other", [6, None])
def test_one_wrong_code_frame_is_left_out(seen, other):
    scene, photographs = seen
    changed = list(photographs)
    changed[5] = photographs[other] if other else np.full_like(photographs[0], 104)
    done = outcome(scene, changed)
    assert len(done.mark) == 289 and done.rms < 0.002
    assert any("5.png" in line and "Take it again" in line for line in done.view.findings)


def test_a_code_frame_in_place_of_the_whole_one_is_seen(seen):
    scene, photographs = seen
    done = outcome(scene, [photographs[3], *photographs[1:]])
    assert len(done.mark) == 289
    assert any("0.png: shows code frame 2" in line for line in done.view.findings)


def test_a_second_whole_frame_that_is_dark_is_left_out(seen):
    scene, photographs = seen
    done = outcome(scene, [photographs[0], np.full_like(photographs[0], 104), *photographs[1:]], whole=2)
    assert len(done.mark) == 289
    assert any("1.png: does not show all dots" in line for line in done.view.findings)


def test_dots_of_another_panel_are_refused(seen):
    """Marks of other places with the same codes: nothing may be named."""
    scene, photographs = seen
    shuffled = Scene()
    shuffled.panel = scene.panel[np.random.default_rng(1).permutation(len(scene.panel))]
    view = outcome(shuffled, photographs).view
    assert view.measured is None


def test_a_dark_panel_is_told():
    scene = Scene(bright_e=0.01)
    view = outcome(scene).view
    assert view.measured is None
    assert "is the panel lit" in view.refused


def test_why_no_dot_is_found_is_told(seen):
    scene, photographs = seen
    white = [np.full_like(one, 4095) for one in photographs]
    assert "100 % of the picture is saturated: over-exposed" in outcome(scene, white).view.refused

    def missing():
        raise CaptureError("not found")

    frames = [replace(one, read=missing) for one in frames_of(photographs)]
    view = measure_view(frames, marks_of(scene), Sensor())
    assert "none of its 14 photographs can be read, 0.png to 13.png. Put them into the folder" in view.refused


def test_what_is_hidden_does_not_give_its_name_to_its_ghost():
    """The ghost of a dark dot is the only one to carry its code."""
    scene = Scene(ghost=0.2, ghost_px=(9.0, 12.0))
    hidden = np.random.default_rng(3).choice(289, 40, replace=False)
    scene._stamps[0][hidden] = 0.0
    done = outcome(scene)
    assert not np.isin(done.view.mark, hidden).any()
    assert len(done.mark) >= 245
