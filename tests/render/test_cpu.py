"""The reference renderer: axis order and sign, light, borders, outside references, bad input."""

import tracemalloc

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import Quantiser, TransferFunction, linear_from_srgb
from prewarp.errors import InputFileError, RenderError, ShapeError
from prewarp.lattice import SplineLattice
from prewarp.mesh import panel_mesh
from prewarp.render.cpu import content_planes, panel_picture, perceived_light, perceived_view, prewarp_panel
from prewarp.render.pictures import PanelPicture, field_colours, read_picture
from tests.closed_form import PlaneChannel, plane_set
from tests.render.scenes import centroid, hard_scene, one_dot
from tests.support import require_module

CENTRE = np.zeros(3)
PUPIL = np.array([2.0, -1.0, 0.5])
CONTENT = ContentProjection("flat", (800, 500), 80.0)


# Directions of every fourth pixel of the view, both ways.
TANGENT = CONTENT.tangent_from_pixel(
    np.stack(np.meshgrid(np.arange(0, 800, 4), np.arange(0, 500, 4)), axis=-1) + 0.5
)


def settled(seam):
    """True where a direction is well inside a reach and not beside a point where two outlines cross.

    About such a point each has part of the light at the other's very border, and the last half pixel of a
    panel fades: claims turn from 0 to 1 there within some three times their rounding of half a degree.
    """
    distance = np.stack([reach.signed_distance_deg(TANGENT) for reach in seam.reaches])
    return (distance.max(axis=0) > 0.3) & ~(np.abs(distance) < 1.6).all(axis=0)


def draw_all(fields, image, seam, pupil, **options):
    return {
        name: prewarp_panel(
            fields, CONTENT, image, channel=name, tracked_pupil_mm=pupil, seam=seam, **options
        )
        for name in fields.channels
    }


@pytest.mark.parametrize("backwards", [False, True])
def test_one_dot_from_content_to_eye(backwards):
    """A dot right of the middle and above it: follow it to the panel and on to the eye, axis by axis."""
    channel = PlaneChannel("one", half_width=0.5, division=0.08, u_backwards=backwards)
    fields = plane_set(channel)
    image = one_dot(800, 500, 560, 190)
    panel = prewarp_panel(fields, CONTENT, image, channel="one", tracked_pupil_mm=PUPIL)
    direction = CONTENT.tangent_from_pixel(np.array([560.5, 190.5]))
    assert direction[0] > 0.0 and direction[1] > 0.0, "the dot is to the right and up"
    expected = channel.inverse(direction, pupil_mm=PUPIL).pixel
    found = centroid(panel.linear()[..., 1])
    np.testing.assert_allclose(found, expected, atol=0.05)
    assert (found[0] < 320.0) == backwards and found[1] < 240.0
    seen = perceived_view(fields, {"one": panel}, CONTENT, pupil_mm=PUPIL)
    np.testing.assert_allclose(centroid(linear_from_srgb(seen[..., 1] / 255.0)), [560.5, 190.5], atol=0.05)


def test_what_is_dark_is_not_seen():
    """A map in closed form: places as in the view, half the luminance, lit right of column 24."""
    view, nodes = ContentProjection("flat", (64, 48), 40.0), np.arange(-1, 10) * 8.0
    # Coefficients of straight lines are the lines themselves.
    u, v = np.meshgrid(nodes, nodes)
    lattice = SplineLattice(
        np.stack([u, v, np.full_like(u, 0.5), u - 24.0], axis=-1), np.zeros(2), np.full(2, 8.0)
    )
    white = PanelPicture(np.full((48, 64, 3), 255, np.uint8), TransferFunction(), 8)
    seen = perceived_light({"one": white}, {"one": [lattice] * 3}, view)
    assert not seen[:, :24].any()
    np.testing.assert_allclose(seen[:, 24:], 0.5, atol=1e-6)


def test_view_shows_the_content_where_it_belongs(fields, seam):
    """Both channels, all colours: the view is the content picture, but for the blur of two samplings."""
    v, u = np.mgrid[0:500, 0:800]
    waves = 0.5 + 0.4 * np.sin(u / 25.0) * np.cos(v / 31.0)
    image = Quantiser(TransferFunction()).code_from_linear(
        np.stack([waves, 1.0 - waves, 0.3 + 0.5 * waves], axis=-1)
    )
    panels = draw_all(fields, image, seam, PUPIL, step_px=8.0)
    seen = perceived_view(fields, panels, CONTENT, pupil_mm=PUPIL)
    deep = settled(seam)
    assert deep.mean() > 0.3
    error = np.abs(seen.astype(int) - image)[::4, ::4][deep]
    # Two roundings to 8 bits and the two bilinear blurs of a wave 150 px long.
    assert error.max() <= 4
    assert error.mean() < 0.8


def test_white_stays_even_across_the_seam(fields, seam):
    """Partition of unity in linear light: a white field shows no band where two channels share it."""
    image = np.full((500, 800, 3), 188, dtype=np.uint8)
    # Twelve bits, so that what is left is the blend and not the panels' rounding.
    panels = draw_all(fields, image, seam, CENTRE, step_px=8.0, bit_depth=12)
    seen = perceived_view(fields, panels, CONTENT, pupil_mm=CENTRE)
    shared = settled(seam) & (seam.weights(TANGENT).min(axis=0) > 0.01)
    assert shared.sum() > 300
    assert np.abs(seen.astype(int) - 188)[::4, ::4][settled(seam)].max() <= 1


def test_wrong_pupil_moves_the_picture_but_one_plane_keeps_the_seam(fields, seam):
    image = one_dot(800, 500, 400, 250)
    panels = draw_all(fields, image, seam, CENTRE)
    pupil = np.array([3.0, 0.0, 0.0])
    light = linear_from_srgb(perceived_view(fields, panels, CONTENT, pupil_mm=pupil) / 255.0)
    # 3 mm at 1.5 m: 2 mrad to the left; with 476.7 px per unit tangent 0.953 px, in every colour alike.
    for plane in range(3):
        np.testing.assert_allclose(centroid(light[..., plane]), [400.5 - 0.953, 250.5], atol=0.02)


def test_off_the_panel_there_is_no_light():
    fields = plane_set(PlaneChannel("one", half_width=0.3, distance_m=1e6), colours=("G",))
    white = PanelPicture(np.full((480, 640, 3), 255, dtype=np.uint8))
    view = ContentProjection("flat", (400, 300), 60.0)
    seen = perceived_view(fields, {"one": white}, view, pupil_mm=CENTRE)
    tangent = view.tangent_from_pixel(np.stack(np.meshgrid(np.arange(400), np.arange(300)), axis=-1) + 0.5)
    on_panel = np.all(np.abs(tangent) <= [0.3, 0.225], axis=-1)
    np.testing.assert_array_equal(seen == 255, np.repeat(on_panel[..., None], 3, axis=-1))
    np.testing.assert_array_equal(seen == 0, np.repeat(~on_panel[..., None], 3, axis=-1))


@pytest.mark.outside
def test_panel_pass_agrees_with_opencv(fields):
    cv2 = require_module("cv2")
    image = hard_scene(800, 500)
    channel = fields.field("left", "G")
    panel = prewarp_panel(fields, CONTENT, image, channel="left", tracked_pupil_mm=PUPIL)
    u, v = np.meshgrid(np.arange(640) + 0.5, np.arange(480) + 0.5)
    exact = CONTENT.pixel_from_tangent(channel.forward(np.stack([u, v], axis=-1), pupil_mm=PUPIL))
    linear = linear_from_srgb(image[..., 1] / 255.0).astype(np.float32)
    x, y = (exact[..., axis].astype(np.float32) - 0.5 for axis in (0, 1))
    warped = cv2.remap(linear, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    expected = Quantiser(TransferFunction()).code_from_linear(warped)
    difference = np.abs(panel.codes[..., 1].astype(int) - expected)
    # A map error of 1e-4 px changes light by up to 1e-4, which is a code near black (3e-4 of light).
    assert difference.max() <= 1
    assert np.mean(difference > 0) < 0.01


def test_every_way_of_dividing_the_work_gives_the_same_bytes(fields, seam):
    image = hard_scene(800, 500)
    one = draw_all(fields, image, seam, PUPIL)["right"]
    prepared = prewarp_panel(
        fields, CONTENT, content_planes(image), channel="right", tracked_pupil_mm=PUPIL, seam=seam, threads=3
    )
    np.testing.assert_array_equal(one.codes, prepared.codes)


@pytest.mark.parametrize(
    ("transfer", "bits"), [(TransferFunction("power", gamma=2.4), 10), (TransferFunction(), 6)]
)
def test_other_encodings_show_the_same_light(fields, transfer, bits):
    image = np.full((500, 800, 3), 150, dtype=np.uint8)
    panel = prewarp_panel(
        fields, CONTENT, image, channel="left", tracked_pupil_mm=CENTRE, transfer=transfer, bit_depth=bits
    )
    assert panel.codes.dtype == (np.uint16 if bits > 8 else np.uint8)
    step = np.max(np.diff(transfer.linear_of_codes(bits)))
    assert np.abs(panel.linear()[240, 320] - linear_from_srgb(150 / 255.0)).max() < step
    assert panel.shown().max() <= 255


def test_memory_of_a_large_panel_stays_under_a_gibibyte():
    size = 2560
    fields = plane_set(PlaneChannel("one", panel_size_px=(size, size), half_width=0.5, division=0.05))
    content = ContentProjection("flat", (size, size), 60.0)
    image = np.zeros((size, size, 3), dtype=np.uint8)
    tracemalloc.start()
    prewarp_panel(fields, content, image, channel="one", tracked_pupil_mm=CENTRE)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 1 << 30


def test_colours():
    assert field_colours(("B", "R", "G")) == ("R", "G", "B")
    assert field_colours(("W",)) == ("W", "W", "W")
    with pytest.raises(RenderError, match="colours are R, G; a picture needs R, G and B.* Missing: B"):
        field_colours(("R", "G"))


def test_bad_pictures_are_refused(fields, tmp_path):
    with pytest.raises(
        ShapeError, match=r"content picture has shape \(10, 10, 3\).*expected \(500, 800, 3\)"
    ):
        prewarp_panel(
            fields, CONTENT, np.zeros((10, 10, 3), np.uint8), channel="left", tracked_pupil_mm=CENTRE
        )
    with pytest.raises(ShapeError, match="panel picture has shape"):
        PanelPicture(np.zeros((4, 4)))
    with pytest.raises(RenderError, match="threads is 0"):
        panel_picture((), draw_meshes(fields), transfer=TransferFunction(), threads=0)
    broken = tmp_path / "broken.png"
    broken.write_bytes(b"\x89PNG\r\n\x1a\nnot a picture")
    with pytest.raises(InputFileError, match="broken.png: not a readable picture"):
        read_picture(broken)


def draw_meshes(fields):
    return [panel_mesh(fields.field("left", colour), CONTENT, tracked_pupil_mm=CENTRE) for colour in "RGB"]
