"""Late rotation in the reference renderer: rate times time by an outside library, and unchanged at rate 0."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.content import ContentProjection
from prewarp.encoding import linear_from_srgb
from prewarp.errors import RenderError
from prewarp.frames import arcmin_between
from prewarp.head import HeadTurn, TurningField
from prewarp.mesh import panel_mesh, view_mesh
from prewarp.render.cpu import perceived_view, prewarp_panel
from prewarp.scan import SCAN_DIRECTIONS, PanelScan
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, PlaneChannel, plane_set, two_channels
from tests.render.scenes import centroid, one_dot

PUPIL = np.array([1.5, -1.0, 0.5])
FLAT = ContentProjection("flat", (800, 500), 80.0)
WIDE = ContentProjection("equidistant", (800, 500), 80.0)
HEAD = HeadTurn((-30.0, 100.0, 20.0), 4.0)
# Asked for.
CLOSE_ARCMIN = 0.01


def by_hand(channel, scan, head, pixel, pupil):
    """Direction of panel points in the pose drawn for: lines counted, turned by SciPy's rotations."""
    width, height = channel.panel_size_px
    u, v = pixel[:, 0], pixel[:, 1]
    line = {"down": v - 0.5, "up": height - 0.5 - v, "right": u - 0.5, "left": width - 0.5 - u}[
        scan.direction
    ]
    time_s = (scan.start_ms + line * scan.line_us / 1e3 + scan.persistence_ms / 2 - head.drawn_for_ms) / 1e3
    vector = np.column_stack([channel.forward(pixel, pupil_mm=pupil), np.ones(len(pixel))])
    turned = Rotation.from_rotvec(np.radians(head.rate_deg_per_s) * time_s[:, None]).apply(vector)
    return turned[:, :2] / turned[:, 2:]


@pytest.mark.parametrize("content", [FLAT, WIDE])
@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("direction", SCAN_DIRECTIONS)
def test_the_mesh_shows_what_the_turned_direction_meets(direction, backwards, content):
    channel = PlaneChannel("one", division=0.06, keystone=(0.03, -0.02), turn_deg=2.0, u_backwards=backwards)
    scan = PanelScan(direction, 1.0, 20.0, 2.0)
    mesh = panel_mesh(channel, content, tracked_pupil_mm=PUPIL, step_px=8.0, scan=scan, head=HEAD)
    pixel = np.random.default_rng(4).uniform([0.0, 0.0], [640.0, 480.0], (400, 2))
    shown = content.tangent_from_pixel(mesh.spline().at(pixel)[:, :2])
    expected = by_hand(channel, scan, HEAD, pixel, PUPIL)
    assert arcmin_between(shown, expected).max() < CLOSE_ARCMIN
    still = panel_mesh(channel, content, tracked_pupil_mm=PUPIL, step_px=8.0)
    np.testing.assert_array_equal(mesh.tangent, still.tangent)
    moved = arcmin_between(content.tangent_from_pixel(still.spline().at(pixel)[:, :2]), expected)
    assert moved.max() > 20.0


def test_weights_are_shared_out_in_one_pose():
    """Where content is seen weights sum to 1, though each panel lights it at its own time."""
    channels = two_channels()
    fields = plane_set(*channels, colours=("G",))
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    scans = {"left": PanelScan("down", 0.0, 20.0, 2.0), "right": PanelScan("up", 3.0, 20.0, 2.0)}
    head = HeadTurn.of_angles(100.0, 0.0, 0.0, drawn_for_ms=2.0, weights_for_ms=7.3)
    seen = np.stack(np.meshgrid(np.linspace(-0.03, 0.03, 5), np.linspace(-0.2, 0.2, 9)), -1).reshape(-1, 2)
    sums = {}
    for turning in (True, False):
        weights = []
        for channel in channels:
            name = channel.channel
            how = {"scan": scans[name], "head": head} if turning else {}
            mesh = panel_mesh(channel, FLAT, tracked_pupil_mm=PUPIL, seam=seam, step_px=8.0, **how)
            found = TurningField(channel, scans[name], head).inverse(seen, pupil_mm=PUPIL)
            assert found.valid.all()
            weights.append(mesh.weight_at(found.pixel))
        sums[turning] = np.sum(weights, axis=0)
    # What meshes 8 px apart leave; without it a split of half a degree shows in the light.
    np.testing.assert_allclose(sums[True], 1.0, atol=2e-3)
    assert np.abs(sums[False] - 1.0).max() > 0.02


def test_weights_go_with_the_pose_asked_for():
    left, right = two_channels()
    seam = build_seam(plane_set(left, right, colours=("G",)), pupils_mm=EYE_BOX_CORNERS)
    scan = PanelScan("down", 0.0, 20.0, 2.0)
    head = HeadTurn((0.0, 100.0, 0.0), 4.0, 6.0)
    mesh = panel_mesh(left, FLAT, tracked_pupil_mm=PUPIL, seam=seam, scan=scan, head=head)
    columns, rows = mesh.node_px
    pixel = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    pose = HeadTurn((0.0, 100.0, 0.0), 6.0)
    expected = seam.at(PUPIL).weights(by_hand(left, scan, pose, pixel, PUPIL))[0]
    np.testing.assert_allclose(mesh.weight.ravel(), expected, atol=1e-9)


@pytest.mark.parametrize("scan", [None, PanelScan("down", 0.0, 20.0, 2.0)])
def test_a_head_that_keeps_still_changes_no_byte(fields, seam, scan):
    image = one_dot(800, 500, 420, 250)
    asked = {"channel": "left", "tracked_pupil_mm": PUPIL, "seam": seam}
    plain = prewarp_panel(fields, FLAT, image, **asked)
    still = prewarp_panel(fields, FLAT, image, **asked, scan=scan, head=HeadTurn(drawn_for_ms=3.0))
    assert plain.codes.tobytes() == still.codes.tobytes()
    seen = [
        perceived_view(fields, {"left": plain}, FLAT, pupil_mm=PUPIL, **more)
        for more in ({}, {"scans": {"left": scan}, "head": HeadTurn()})
    ]
    assert seen[0].tobytes() == seen[1].tobytes()


def test_the_view_mesh_of_a_turning_head_is_its_inverse():
    channel = two_channels()[0]
    turning = TurningField(channel, PanelScan("left", 0.0, 15.0, 1.0), HEAD)
    view = view_mesh(turning, FLAT, pupil_mm=PUPIL, step_px=8.0)
    pixel = np.random.default_rng(5).uniform([5.0, 5.0], [635.0, 475.0], (300, 2))
    seen = FLAT.pixel_from_tangent(turning.forward(pixel, pupil_mm=PUPIL))
    np.testing.assert_allclose(view.at(seen), pixel, atol=0.02)


def test_a_dot_stands_still_with_late_rotation_and_splits_without(fields, seam):
    """Panels lit against each other, a head that turns at 100 deg/s: what an eye still in the world sees."""
    scans = {"left": PanelScan("down", 0.0, 25.0, 1.0), "right": PanelScan("up", 3.0, 25.0, 1.0)}
    head = HeadTurn.of_angles(100.0, 0.0, 0.0, drawn_for_ms=5.0)
    image = one_dot(800, 500, 400, 190)
    where = FLAT.tangent_from_pixel(np.array([400.5, 190.5]))
    for late in (True, False):
        at = []
        for name in ("left", "right"):
            how = {"scan": scans[name], "head": head} if late else {}
            panel = prewarp_panel(
                fields, FLAT, image, channel=name, tracked_pupil_mm=PUPIL, bit_depth=12, step_px=8.0, **how
            )
            seen = perceived_view(fields, {name: panel}, FLAT, pupil_mm=PUPIL, scans=scans, head=head)
            at.append(centroid(linear_from_srgb(seen[..., 1] / 255.0)))
        if late:
            np.testing.assert_allclose(at, [[400.5, 190.5]] * 2, atol=0.03)
            continue
        times = []
        for name, place in zip(("left", "right"), at, strict=True):
            field = fields.field(name, "G")
            pixel = field.inverse(where, pupil_mm=PUPIL).pixel
            expected = by_hand(field, scans[name], head, pixel[None], PUPIL)[0]
            np.testing.assert_allclose(place, FLAT.pixel_from_tangent(expected), atol=0.03)
            times.append(float(scans[name].lit_ms(pixel, field.panel_size_px)))
        # 476.7 content px per unit tangent at the middle: the split is rate times time.
        split = np.radians(100.0) * (times[1] - times[0]) / 1000.0 * FLAT.focal_px
        assert at[1][0] - at[0][0] == pytest.approx(split, abs=0.05)
        assert abs(split) > 1.0


def test_without_a_scan_or_with_an_absurd_turn_it_is_refused(fields, seam):
    image = one_dot(800, 500, 400, 250)
    asked = {"channel": "left", "tracked_pupil_mm": PUPIL}
    with pytest.raises(
        RenderError, match=r"channel 'left': when its lines are lit is not known.*\[channel\.left"
    ):
        prewarp_panel(fields, FLAT, image, **asked, head=HEAD)
    panel = prewarp_panel(fields, FLAT, image, **asked)
    with pytest.raises(RenderError, match=r"Declare \[channel\.left\.panel\.scan\]"):
        perceived_view(fields, {"left": panel}, FLAT, pupil_mm=PUPIL, head=HEAD)
    slow = PanelScan("down", 0.0, 400.0, 1.0)
    with pytest.raises(RenderError, match="the head turns by 38.5 degrees"):
        prewarp_panel(fields, FLAT, image, **asked, scan=slow, head=HeadTurn((0.0, 200.0, 0.0)))
