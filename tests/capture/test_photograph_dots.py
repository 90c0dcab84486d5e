"""Simulated dots: their light and places are those that the truth says; the aperture, coma, ghosts, dust."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.capture.camera import Camera, pose_rotation
from prewarp.capture.photograph.bench import Bench, Ghost, Hair
from prewarp.capture.photograph.images import CameraPose, View, aperture_rule, images_of_points
from prewarp.capture.photograph.optics import TracedOptics
from prewarp.capture.photograph.scene import Scene, discs, dots_of_picture
from prewarp.module import read_module
from prewarp.trace import read_design, trace_channel

SIZE = (640, 512)
# The centroid of a dot against truth, px, and its light, relative: what the simulator itself may err by.
CENTROID_PX, LIGHT = 1e-3, 1e-6


@pytest.fixture(scope="module")
def optics():
    module, design = read_module("calib/coaxial.module.toml"), read_design("calib/coaxial.design.toml")
    return TracedOptics(design.channel("inner"), module.channel("inner"), 532.0)


def view_of(**changes):
    camera = Camera(*SIZE, (600.0, 600.0), (321.3, 254.2), (-0.1, 0.02, 0.0, 0.0), aperture_mm=3.0)
    pose = CameraPose(np.array([1.0, -0.5, 0.5]), pose_rotation(-15.0, 2.0, 1.0))
    return replace(View(camera, pose, focus_dioptres=0.667), **changes)


def scene_of(optics, bench=None, view=None, marks=None, reach=20.0):
    if marks is None:
        u, v = np.meshgrid(np.linspace(100.0, 2460.0, 9), np.linspace(100.0, 1948.0, 9))
        marks = np.stack([u, v], axis=-1).reshape(-1, 2)
    return Scene(optics, view or view_of(), bench or Bench(), "inner", (2560, 2048), marks, reach)


def drawn(scene, dots, exposure=0.7):
    picture = np.zeros((SIZE[1], SIZE[0]))
    truth = scene.draw(picture, dots, exposure, drift_px=np.zeros(2))
    return picture, truth


def measured(picture, place, half=13):
    """Return centroid (2,) and light of the window about a place."""
    left, top = (int(value) - half for value in place)
    part = picture[top : top + 2 * half + 1, left : left + 2 * half + 1]
    y, x = np.mgrid[top : top + part.shape[0], left : left + part.shape[1]] + 0.5
    return np.array([(part * x).sum(), (part * y).sum()]) / part.sum(), part.sum()


@pytest.mark.parametrize(
    "bench",
    [
        Bench(),
        Bench(blur_px=0.4),
        Bench(coma_px=2.0, vignetting=0.9),
        Bench(shake_px=(3.0, -1.0)),
        Bench(blur_px=1.5),
    ],
    ids=["plain", "sharp", "coma and vignetting", "shaken", "soft"],
)
def test_dots_have_the_light_and_the_place_of_the_truth(optics, bench):
    scene = scene_of(optics, bench)
    picture, truth = drawn(scene, discs(scene, np.full(81, 14.0), np.ones(81)))
    assert np.all(np.isfinite(truth.pixel)) and np.all(truth.covered == 0.0)
    found = [measured(picture, place) for place in truth.centroid]
    assert np.abs([place for place, _ in found] - truth.centroid).max() < CENTROID_PX
    assert np.abs([light for _, light in found] / truth.light - 1.0).max() < LIGHT
    assert picture.sum() == pytest.approx(truth.light.sum(), rel=1e-12)


def test_out_of_focus_dots_keep_both(optics):
    scene = scene_of(optics, view=view_of(focus_dioptres=3.0))
    picture, truth = drawn(scene, discs(scene, np.full(81, 6.0), np.ones(81)))
    found = [measured(picture, place) for place in truth.centroid]
    assert np.abs([place for place, _ in found] - truth.centroid).max() < CENTROID_PX
    sharp, _ = drawn(scene_of(optics), discs(scene_of(optics), np.full(81, 6.0), np.ones(81)))
    assert picture.max() < 0.8 * sharp.max()


def test_a_panel_picture_of_discs_is_drawn_as_the_discs(optics):
    scene = scene_of(optics, marks=np.array([[700.0, 900.0], [1500.0, 300.0]]), reach=9.0)
    # Sixteen by sixteen points a pixel: the share of each that a disc covers.
    panel = np.zeros((2048, 2560))
    fine = (np.arange(16) + 0.5) / 16.0
    for u, v in scene.marks_px.astype(int).tolist():
        part = (np.arange(-10, 10)[:, None] + fine).ravel()
        covered = np.hypot(part, part[:, None]) < 7.5
        panel[v - 10 : v + 10, u - 10 : u + 10] = covered.reshape(20, 16, 20, 16).mean(axis=(1, 3))
    dots = dots_of_picture(scene, panel)
    of_picture, truth = drawn(scene, dots)
    of_discs, other = drawn(scene, discs(scene, np.full(2, 7.5), np.ones(2)))
    assert truth.light == pytest.approx(other.light, rel=2e-3)
    assert np.abs(truth.centroid - other.centroid).max() < CENTROID_PX
    assert np.abs(of_picture - of_discs).max() < 0.01 * of_discs.max()
    panel[5, 5] = 1.0
    assert dots_of_picture(scene, panel) is None


def test_the_centroid_is_the_mean_over_the_aperture(optics):
    """Off the chief ray by d^2/32 times the pupil Laplacian, taken here by differences of the chief ray."""
    marks, d, h = scene_of(optics).marks_px, 3.0, 0.5
    reach = np.full(len(marks), 5.0)
    turn = pose_rotation(-15.0, 2.0, 1.0)

    def chief(x, y):
        camera = Camera(*SIZE, (600.0, 600.0), (321.3, 254.2))
        place = np.array([1.0, -0.5, 0.5]) + turn @ [x, y, 0.0]
        view = View(camera, CameraPose(place, turn))
        return images_of_points(optics, view, marks, reach_px=reach).pixel

    laplacian = (chief(h, 0) + chief(-h, 0) + chief(0, h) + chief(0, -h) - 4.0 * chief(0, 0)) / h**2
    camera = Camera(*SIZE, (600.0, 600.0), (321.3, 254.2), aperture_mm=d)
    # In focus: else more light from one side of the aperture would move the centroid as well.
    wide = View(camera, CameraPose(np.array([1.0, -0.5, 0.5]), turn), focus_dioptres=0.667)
    off = images_of_points(optics, wide, marks, reach_px=reach).pixel - chief(0, 0)
    expected = d**2 / 32.0 * laplacian
    assert np.abs(expected).max() > 2e-3
    assert np.abs(off - expected).max() < 0.1 * np.abs(expected).max()


def test_the_aperture_rule_is_the_mean_over_a_disc():
    for fineness in (1, 2, 5):
        place, share = aperture_rule(fineness)
        assert share.sum() == pytest.approx(1.0)
        assert share @ place == pytest.approx([0.0, 0.0])
        assert share @ (place[:, :, None] * place[:, None]).reshape(-1, 4) == pytest.approx(
            [0.25, 0, 0, 0.25], abs=1e-15
        )
    place, share = aperture_rule(2)
    assert share @ place[:, 0] ** 4 == pytest.approx(1.0 / 8.0)
    assert share @ (place[:, 0] ** 2 * place[:, 1] ** 4) == pytest.approx(1.0 / 64.0)


def test_the_camera_may_be_turned_and_its_entrance_pupil_walk(optics):
    """A camera turned about its entrance pupil sees the same directions; ahead of it, it sees others."""
    marks = np.array([[900.0, 700.0], [1500.0, 1300.0]])
    reach = np.full(2, 5.0)
    base = Camera(*SIZE, (600.0, 600.0), (320.0, 256.0))
    directions = []
    for turn in ((-15.0, 0.0, 0.0), (-5.0, 6.0, 20.0)):
        view = View(base, CameraPose(np.zeros(3), pose_rotation(*turn)))
        pixel = images_of_points(optics, view, marks, reach_px=reach).pixel
        directions.append(view.outward(base.tangent(pixel)))
    assert np.abs(directions[0] - directions[1]).max() < 1e-9
    assert np.abs(directions[0] - optics.direction(marks, np.zeros(3))).max() < 1e-9
    ahead = replace(base, entrance_mm=1.0, walk_mm=2.0)
    turn = pose_rotation(-15.0, 0.0, 0.0)
    view = View(ahead, CameraPose(np.zeros(3), turn))
    own = ahead.tangent(images_of_points(optics, view, marks, reach_px=reach).pixel)
    place = (1.0 + 2.0 * np.sum(own * own, axis=1))[:, None] * turn[:, 2]
    assert np.abs(view.outward(own) - optics.direction(marks, place)).max() < 1e-9


def test_ghosts_are_seconds_of_the_panel(optics):
    ghost = Ghost(0.05, shift_px=(90.0, -60.0))
    marks = np.array([[900.0, 700.0]])
    both, truth = drawn(
        scene := scene_of(optics, Bench(ghosts=(ghost,)), marks=marks),
        discs(scene, np.full(1, 9.0), np.ones(1)),
    )
    alone, _ = drawn(plain := scene_of(optics, marks=marks), discs(plain, np.full(1, 9.0), np.ones(1)))
    there = scene_of(optics, marks=marks + [90.0, -60.0])
    moved, moved_truth = drawn(there, discs(there, np.full(1, 9.0), np.full(1, 0.05)))
    assert np.abs(both - alone - moved).max() < 1e-9
    assert truth.light[0] == pytest.approx(alone.sum())
    # A mirrored, blurred ghost keeps its light; its panel point is the middle's mirror image.
    upside = Ghost(0.05, scale=-1.0, blur_px=2.0)
    assert upside.moved(np.array([900.0, 700.0]), (2560, 2048)).tolist() == [1660.0, 1348.0]
    back = upside.source(upside.moved(marks, (2560, 2048)), (2560, 2048))
    assert back == pytest.approx(marks)


def test_what_is_covered_is_missing(optics):
    marks = np.array([[900.0, 700.0], [1500.0, 1300.0]])
    hair = Hair((904.0, 0.0), (904.0, 2048.0), 8.0)
    scene = scene_of(optics, Bench(hairs=(hair,)), marks=marks)
    picture, truth = drawn(scene, discs(scene, np.full(2, 10.0), np.ones(2)))
    # Of a disc of radius 10 the strip from its middle to 8 beside: (asin 0.8 + 0.8 * 0.6) / pi.
    share = (np.arcsin(0.8) + 0.48) / np.pi
    assert truth.covered == pytest.approx([share, 0.0], abs=0.02)
    place, light = measured(picture, truth.centroid[0])
    assert np.abs(place - truth.centroid[0]).max() < CENTROID_PX
    assert light == pytest.approx(truth.light[0], rel=LIGHT)
    assert np.abs(truth.centroid[0] - truth.pixel[0]).max() > 0.5


def test_dots_beside_the_sensor_are_covered(optics):
    view = view_of()
    far = replace(view, pose=CameraPose(np.zeros(3), pose_rotation(5.0, 0.0, 0.0)))
    scene = scene_of(optics, view=far)
    picture, truth = drawn(scene, discs(scene, np.full(81, 14.0), np.ones(81)))
    outside = ~far.camera.inside(truth.pixel)
    assert outside.any() and not outside.all()
    assert np.all(truth.covered[outside] > 0.4) and np.all(np.isfinite(picture))


def test_lens_edges_take_part_of_the_aperture(optics):
    """At the edge of a lens the aperture is cut: light falls to 0, the centroid goes with what is left."""
    edges = tuple(replace(one, semi_aperture_mm=6.0) for one in optics.design.surfaces[:1])
    cut = replace(optics, design=replace(optics.design, surfaces=edges + optics.design.surfaces[1:]))
    u = np.linspace(100.0, 2460.0, 60)
    marks = np.stack([u, np.full(60, 1024.0)], axis=-1)
    reach = np.full(60, 5.0)
    whole, part = (images_of_points(one, view_of(), marks, reach_px=reach) for one in (optics, cut))
    share = part.light / whole.light
    assert share.min() == 0.0 and share.max() == pytest.approx(1.0)
    assert np.any((share > 0.05) & (share < 0.95))
    assert np.array_equal(np.isfinite(part.pixel[:, 0]), share > 0.0)


def test_a_demo_with_a_figure_on_its_mirror_is_seen_beyond_the_rim():
    """Surfaces go on beyond their rims; inside them a photograph sees what the trace does."""
    module, design = read_module("calib/folded.module.toml"), read_design("calib/folded.design.toml")
    assert any(one.tolerance.figure_um for one in design.channel("inner").surfaces)
    channel = module.channel("inner")
    tangent = np.tan(np.radians([[0.0, 0.0], [-20.0, 8.0], [40.0, 40.0]]))
    seen = TracedOptics(design.channel("inner"), channel, 532.0).seen(tangent, np.zeros(3))
    traced = trace_channel(
        design.channel("inner"), channel.panel, tangent[:2], pupil_mm=np.zeros(3), wavelength_nm=532.0
    )
    assert traced.valid.all()
    np.testing.assert_allclose(seen.pixel[:2], traced.pixel, atol=1e-9)
    assert (seen.clearance[:2] > 0.0).all() and not seen.clearance[2] > 0.0
