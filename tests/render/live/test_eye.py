"""The live passes, by triangles and by compute shaders, answer to the reference renderer and the tables."""

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import RenderError
from prewarp.render.cpu import perceived_view, prewarp_panel
from prewarp.render.gpu import Target, has_compute
from prewarp.render.live.compute import ComputePanel, ComputeView
from prewarp.render.live.eye import LiveEye
from prewarp.render.live.eye_table import eye_table
from prewarp.render.live.mesh import EyeMesh
from prewarp.render.live.outlook import Ghost, Outlook
from prewarp.render.live.panel import LivePanel, shrunk_picture
from prewarp.render.live.weight_map import weight_map
from tests.closed_form import EYE_BOX_CORNERS
from tests.render.scenes import centroid, hard_scene, one_dot

pytestmark = pytest.mark.gl

CONTENT = ContentProjection("flat", (800, 500), 80.0)
HALF_MM = np.array([4.0, 3.0, 2.0])
PUPIL, TRACKED = np.array([2.0, -1.0, 0.5]), np.array([1.0, 0.5, -1.0])
# Nodes 8 px apart on these small panels: the mesh is straight between them. Share of pixels that differ by
# more than a few codes: edges of a hard scene, where 0.02 px of map error is worth several codes.
CLOSE_CODES, CLOSE_SHARE = 6, 0.985
KINDS = (LivePanel, ComputePanel)


@pytest.fixture(scope="module")
def tables(fields):
    return {name: eye_table(fields, name, half_mm=HALF_MM, step_px=8.0) for name in fields.channels}


@pytest.fixture(scope="module")
def weights(fields, seam):
    return {name: weight_map(seam, CONTENT, name) for name in fields.channels}


@pytest.fixture
def live(context, tables, weights):
    def make(kind=LivePanel, **options):
        if kind is ComputePanel and not has_compute(context):
            pytest.skip("this OpenGL has no compute shaders")
        eye = LiveEye(context, tables, weights, CONTENT, panel_kind=kind, **options)
        eye.set_content(hard_scene(800, 500))
        eye.set_eye(PUPIL, TRACKED)
        eye.draw_panels()
        return eye

    return make


def looked_at(eye, outlook=None, **options):
    target = Target(eye.context, CONTENT.size_px, "srgb")
    target.clear()
    eye.view.add(
        target, eye.textures(), outlook or Outlook.whole(CONTENT, CONTENT.size_px), eye.sampler, **options
    )
    return target.read()


def hold(got, reference):
    difference = np.abs(got.astype(int) - reference)
    assert np.mean(difference <= CLOSE_CODES) > CLOSE_SHARE
    assert difference.mean() < 1.5


@pytest.fixture(scope="module")
def reference(fields, seam):
    image = hard_scene(800, 500)
    panels = {
        name: prewarp_panel(fields, CONTENT, image, channel=name, tracked_pupil_mm=TRACKED, seam=seam)
        for name in fields.channels
    }
    return panels, perceived_view(fields, panels, CONTENT, pupil_mm=PUPIL)


@pytest.mark.parametrize("compute", [False, True])
def test_meshes_are_those_of_the_tables(context, tables, weights, seam, compute):
    if compute and not has_compute(context):
        pytest.skip("this OpenGL has no compute shaders")
    mesh = EyeMesh(context, tables["left"], weights["left"], CONTENT, compute=compute)
    assert mesh.set_tracked(TRACKED) and not mesh.set_tracked(TRACKED)
    assert mesh.set_pupil(PUPIL)
    tangents = tables["left"].tangents(TRACKED)
    exact_weight = seam.weights(tangents[..., 1, :])[0]
    for colour in range(3):
        shown = mesh.shown.read(components=4, attachment=colour)
        expected = CONTENT.pixel_from_tangent(tangents[..., colour, :])
        # Modes are cut at 0.01 panel px; content has about as many.
        assert np.max(np.abs(shown[..., :2] - expected)) < 0.02
    error = np.abs(mesh.shown.read(components=4, attachment=1)[..., 2] - exact_weight)
    # Where two outlines cross weights have no limit; elsewhere a lattice of 0.25 degrees follows them.
    assert np.percentile(error, 98) < 0.01
    where, pixel = tables["left"].seen(PUPIL)
    assert np.max(np.abs(mesh.seen.read(components=4, attachment=0)[..., :2] - where)) < 2e-5
    for attachment, colour in ((1, 0), (2, 2)):
        seen = mesh.seen.read(components=4, attachment=attachment)
        assert np.max(np.abs(seen[..., :2] - pixel[..., colour, :])) < 0.02


@pytest.mark.parametrize("kind", KINDS)
def test_panels_and_view_are_the_reference(live, reference, kind):
    eye = live(kind)
    panels, view = reference
    for name, panel in eye.panels.items():
        if kind is LivePanel:
            hold(panel.target.read(), panels[name].codes)
    hold(looked_at(eye), view)


def test_computed_view_is_the_reference(live, reference):
    eye = live(ComputePanel)
    computed = ComputeView(eye, CONTENT.size_px)
    computed.draw(Outlook.whole(CONTENT, CONTENT.size_px))
    hold(computed.read(), reference[1])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("transfer", "bits"),
    [
        (TransferFunction("power", gamma=2.4), 10),
        (TransferFunction("table", table=tuple(np.linspace(0.0, 1.0, 33) ** 1.9)), 8),
        (TransferFunction(), 6),
    ],
)
def test_other_panels_give_their_own_light(live, kind, transfer, bits):
    names = ("left", "right")
    eye = live(kind, transfers=dict.fromkeys(names, transfer), bit_depths=dict.fromkeys(names, bits))
    eye.set_content(np.full((500, 800, 3), 150, dtype=np.uint8))
    eye.draw_panels()
    texture = eye.textures()["left"]
    light = np.frombuffer(texture.read(), dtype=np.float16).reshape(480, 640, 4)[100:380, 100:300, :3]
    light = light.astype(float)
    levels = transfer.linear_of_codes(bits)
    above = np.clip(np.searchsorted(levels, light), 1, len(levels) - 1)
    step = np.minimum(np.abs(light - levels[above - 1]), np.abs(light - levels[above]))
    # Light is one of the panel's levels, to what a half float holds of it.
    assert np.max(step / np.maximum(light, 1e-3)) < 1e-3


@pytest.mark.parametrize("kind", KINDS)
def test_one_dot_goes_where_it_belongs(live, tables, kind):
    """A dot right of the middle and above it is where the closed form says, on the panel and in the view."""
    eye = live(kind)
    eye.set_eye(np.zeros(3), np.zeros(3))
    eye.set_content(one_dot(800, 500, 560, 190))
    eye.draw_panels()
    seen = looked_at(eye).astype(float) / 255.0
    for plane in range(3):
        np.testing.assert_allclose(centroid(seen[..., plane] ** 2.2), [560.5, 190.5], atol=0.1)


def test_nothing_is_made_or_sent_from_frame_to_frame(live, monkeypatch):
    """No texture, buffer, program or upload while only the eye moves, and no panel is drawn when it rests."""
    eye = live()
    outlook = Outlook.whole(CONTENT, CONTENT.size_px)
    target = Target(eye.context, CONTENT.size_px, "srgb")
    drawn = []
    monkeypatch.setattr(LivePanel, "draw", _counted(LivePanel.draw, drawn))

    def frame(pupil):
        eye.set_eye(pupil, pupil)
        eye.draw_panels()
        eye.view.add(target, eye.textures(), outlook, eye.sampler)

    frame(PUPIL)
    kind = type(eye.context)
    for name in ("texture", "buffer", "framebuffer", "program", "vertex_array", "sampler", "compute_shader"):
        monkeypatch.setattr(kind, name, _forbidden)
    monkeypatch.setattr(type(target.texture), "write", _forbidden)
    before = len(drawn)
    frame(-PUPIL)
    assert len(drawn) == before + 2
    frame(-PUPIL)
    assert len(drawn) == before + 2


def _counted(method, calls):
    def draw(self, *arguments):
        calls.append(self)
        return method(self, *arguments)

    return draw


def _forbidden(*arguments, **options):
    raise AssertionError("something was made or sent while only the eye moved")


def test_before_is_straight_and_unblended(live):
    eye = live()
    eye.set_content(np.full((500, 800, 3), 188, dtype=np.uint8))
    eye.draw_before()
    middle = eye.textures(before=True)["left"].read()
    codes = np.frombuffer(middle, dtype=np.uint8).reshape(480, 640, 4)[..., :3]
    assert np.all(codes[5:-5, 5:-5] == 188)


@pytest.mark.parametrize(
    ("ghost", "place"),
    [
        (Ghost(0.5, shift_deg=(3.0, 2.0)), (425.0, 225.0)),
        (Ghost(0.5, shift_deg=(0.0, 0.0), scale=0.5), (400.0, 250.0)),
        (Ghost(0.5, shift_deg=(0.0, 0.0), flip_x=True), (400.0, 250.0)),
    ],
)
def test_ghost_is_weak_and_moved(live, ghost, place):
    eye = live()
    eye.set_content(one_dot(800, 500, 480, 220, size=6))
    eye.set_eye(np.zeros(3), np.zeros(3))
    eye.draw_panels()
    seen = looked_at(eye, ghost=ghost).astype(float)[..., 1] / 255.0
    scale = np.array([-ghost.scale if ghost.flip_x else ghost.scale, ghost.scale])
    expected = np.array(place) + scale * (np.array([480.5, 220.5]) - [400.0, 250.0])
    # Degrees are laid off at the middle's scale: 476.7 px per unit tangent is 8.32 px a degree.
    if ghost.shift_deg != (0.0, 0.0):
        expected = np.array([480.5, 220.5]) + np.radians([3.0, -2.0]) * CONTENT.focal_px
    np.testing.assert_allclose(centroid(seen**2.2), expected, atol=0.2)
    assert seen.max() ** 2.2 == pytest.approx(0.5, abs=0.03)


def test_shrunk_picture_keeps_the_light():
    image = np.zeros((6, 8, 3), dtype=np.uint8)
    image[:, ::2] = 255
    # Half the light, encoded: 187.5 (IEC 61966-2-1, worked value of the project's references).
    assert np.all(np.abs(shrunk_picture(image, 2).astype(int) - 188) <= 1)
    assert shrunk_picture(image, 4).shape == (2, 2, 3)


def test_shrunk_panels_show_the_same_view(context, tables, weights):
    smooth = np.zeros((500, 800, 3), dtype=np.uint8)
    v, u = np.mgrid[0:500, 0:800]
    smooth[..., 0], smooth[..., 1], smooth[..., 2] = u // 4, v // 2, 128
    views = []
    for shrink in (1, 2, 4):
        eye = LiveEye(context, tables, weights, CONTENT, shrink=shrink)
        eye.set_content(smooth)
        eye.set_eye(PUPIL, TRACKED)
        eye.draw_panels()
        views.append(looked_at(eye).astype(int))
    for other in views[1:]:
        assert np.mean(np.abs(other - views[0]) <= 3) > 0.98
    with pytest.raises(RenderError, match=r"content picture has shape \(5, 5, 3\)"):
        eye.set_content(np.zeros((5, 5, 3), dtype=np.uint8))


def test_too_many_channels_for_compute(context):
    eye = type("Eye", (), {"meshes": dict.fromkeys(range(5))})()
    with pytest.raises(RenderError, match="5 channels; the compute path takes at most 4"):
        ComputeView(eye, (64, 64))


def test_eye_box_corners_are_followed(live, fields, seam):
    """At the corners of the eye box, off the plane, the white of the seam stays even."""
    eye = live()
    eye.set_content(np.full((500, 800, 3), 188, dtype=np.uint8))
    for corner in EYE_BOX_CORNERS[[0, 7]]:
        eye.set_eye(corner, corner)
        eye.draw_panels()
        seen = looked_at(eye).astype(int)
        # The middle rows, away from where outlines cross.
        assert np.abs(seen[230:270, 200:600] - 188).max() <= 2


@pytest.mark.parametrize("compute", [False, True])
def test_equidistant_content(context, tables, seam, compute):
    if compute and not has_compute(context):
        pytest.skip("this OpenGL has no compute shaders")
    content = ContentProjection("equidistant", (800, 500), 80.0)
    mesh = EyeMesh(context, tables["left"], weight_map(seam, content, "left"), content, compute=compute)
    mesh.set_tracked(TRACKED)
    mesh.set_pupil(PUPIL)
    expected = content.pixel_from_tangent(tables["left"].tangents(TRACKED)[..., 1, :])
    assert np.max(np.abs(mesh.shown.read(components=4, attachment=1)[..., :2] - expected)) < 0.02
    where, _ = tables["left"].seen(PUPIL)
    pixel = content.pixel_from_tangent(where)
    plane = (pixel - [400.0, 250.0]) / np.array([content.focal_px, -content.focal_px])
    assert np.max(np.abs(mesh.seen.read(components=4, attachment=0)[..., :2] - plane)) < 2e-5
