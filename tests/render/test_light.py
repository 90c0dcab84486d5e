"""White match, dither and luminance in both renderers: GPU against CPU, CPU against plain arithmetic."""

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction, linear_from_srgb
from prewarp.mesh import panel_mesh
from prewarp.photometry import PanelLight
from prewarp.render.cpu import content_planes, panel_picture, perceived_light, view_maps
from prewarp.render.drawing import open_drawing
from prewarp.render.gl import PanelPass, ViewPass
from tests.render.scenes import hard_scene
from tests.render.test_gl import ALL_CODES, MOST_CODES, MOST_SHARE, TABLE, rim_of

PUPIL = np.array([2.0, -1.0, 0.5])
CONTENT = ContentProjection("flat", (800, 500), 80.0)
# Rows that mix, one entry below zero as an out-of-gamut colour has.
MIXING = np.array([[0.7, 0.25, -0.05], [0.1, 0.8, 0.05], [0.0, 0.15, 0.75]])


class SlopingLight:
    """Full-drive luminance that falls across the panel and with the pupil, in the place of a fitted map."""

    def map(self, channel, colour):
        return self

    def at(self, pixel, tangent, *, pupil_mm):
        return (
            0.9 - 0.0004 * np.asarray(pixel)[..., 0] + 0.01 * pupil_mm[0] + 0.02 * np.asarray(tangent)[..., 1]
        )


def meshes_of(fields, channel, seam):
    return [
        panel_mesh(fields.field(channel, colour), CONTENT, tracked_pupil_mm=PUPIL, seam=seam)
        for colour in "RGB"
    ]


def reference(fields, seam, image, light, channel="left", **panel):
    panel = {"transfer": TransferFunction(), **panel}
    return panel_picture(content_planes(image), meshes_of(fields, channel, seam), light=light, **panel)


def test_mixing_is_a_matrix_on_linear_content(fields, seam):
    image = np.full((500, 800, 3), (200, 120, 40), dtype=np.uint8)
    plain, mixed = (
        reference(fields, seam, image, light, bit_depth=12).linear() for light in (None, PanelLight(MIXING))
    )
    row, column = 240, 320
    light = linear_from_srgb(np.array([200, 120, 40]) / 255.0)
    expected = MIXING @ light / light * plain[row, column]
    np.testing.assert_allclose(mixed[row, column], expected, atol=3e-4)


def test_negative_light_is_black(fields, seam):
    image = np.full((500, 800, 3), (0, 0, 255), dtype=np.uint8)
    mixed = reference(fields, seam, image, PanelLight(MIXING))
    assert mixed.codes[..., 0].max() == 0 and mixed.codes[..., 2].max() > 100


@pytest.mark.parametrize("dither", ["bayer", "blue"])
def test_dither_keeps_the_light_of_an_area(fields, seam, dither):
    image = np.full((500, 800, 3), 77, dtype=np.uint8)
    area = np.s_[160:288, 200:328]
    fine = reference(fields, seam, image, None, bit_depth=16).linear()[area].mean(axis=(0, 1))
    coarse = reference(fields, seam, image, PanelLight(dither=dither), bit_depth=6).linear()[area]
    assert np.ptp(coarse[..., 1]) > 0.0
    # 128 px square: a whole number of tiles, each threshold as often; light is even but for the blend.
    np.testing.assert_allclose(coarse.mean(axis=(0, 1)), fine, rtol=3e-3)


def test_threads_do_not_change_a_dithered_panel(fields, seam):
    image = hard_scene(800, 500)
    light = PanelLight(MIXING, "blue")
    one, two = (reference(fields, seam, image, light, threads=n).codes for n in (1, 2))
    np.testing.assert_array_equal(one, two)


@pytest.mark.gl
@pytest.mark.parametrize(
    ("transfer", "bits", "light"),
    [
        (TransferFunction(), 8, PanelLight(MIXING)),
        (TransferFunction(), 8, PanelLight(dither="blue")),
        (TransferFunction(), 10, PanelLight(MIXING, "blue")),
        (TransferFunction("power", gamma=2.2), 8, PanelLight(dither="bayer")),
        (TABLE, 10, PanelLight(dither="bayer")),
    ],
    ids=["mixed", "blue", "mixed-blue-10-bit", "power-bayer", "table-bayer-10-bit"],
)
def test_gpu_panel_equals_the_reference(context, fields, seam, transfer, bits, light):
    image = hard_scene(800, 500)
    expected = reference(fields, seam, image, light, transfer=transfer, bit_depth=bits)
    drawn = PanelPass(
        context,
        panel_size_px=(640, 480),
        content_size_px=(800, 500),
        transfer=transfer,
        bit_depth=bits,
        light=light,
    )
    drawn.set_content(image)
    drawn.set_meshes(meshes_of(fields, "left", seam))
    drawn.draw()
    got = drawn.read()
    assert got.codes.dtype == expected.codes.dtype
    difference = np.abs(expected.shown().astype(int) - got.shown().astype(int))
    assert np.mean(difference <= MOST_CODES) >= MOST_SHARE and difference.max() <= ALL_CODES
    # The pattern is the same, not only as coarse: all but a few pixels have the very code.
    assert np.mean(expected.codes == got.codes) > 0.97


@pytest.mark.gl
def test_gpu_view_sees_luminance_as_the_reference_does(context, fields, seam):
    image = hard_scene(800, 500)
    light, lit = PanelLight(MIXING, "blue"), SlopingLight()
    passes, pictures, maps = {}, {}, {}
    for name in fields.channels:
        passes[name] = PanelPass(context, panel_size_px=(640, 480), content_size_px=(800, 500), light=light)
        passes[name].set_content(image)
        passes[name].set_meshes(meshes_of(fields, name, seam))
        passes[name].draw()
        pictures[name] = passes[name].read()
        maps[name] = view_maps(fields, name, CONTENT, pupil_mm=PUPIL, luminance=lit)
    view = ViewPass(context, view_size_px=CONTENT.size_px, panels=passes)
    view.set_maps(maps)
    view.draw()
    expected = perceived_light(pictures, maps, CONTENT)
    plain = {name: view_maps(fields, name, CONTENT, pupil_mm=PUPIL) for name in fields.channels}
    rim = rim_of(plain, np.array([640, 480]), CONTENT)
    assert np.max(np.abs(view.read_light() - expected)[~rim]) < 1e-3
    even = perceived_light(pictures, plain, CONTENT)
    # The brightest pixel that only the left channel shows.
    row, column = np.unravel_index(np.argmax(even[200:300, 200:330, 1]), (100, 130))
    place = np.array([200.5 + column, 200.5 + row])
    seen = fields.field("left", "G").inverse(CONTENT.tangent_from_pixel(place), pupil_mm=PUPIL)
    share = expected[200 + row, 200 + column, 1] / even[200 + row, 200 + column, 1]
    np.testing.assert_allclose(
        share, lit.at(seen.pixel, CONTENT.tangent_from_pixel(place), pupil_mm=PUPIL), rtol=1e-3
    )


def test_a_drawing_passes_light_on(fields, seam):
    image = np.full((500, 800, 3), 77, dtype=np.uint8)
    light = PanelLight(dither="blue")
    with open_drawing("none") as drawing:
        drawn = drawing.panels(image, {"left": meshes_of(fields, "left", seam)}, lights={"left": light})
    np.testing.assert_array_equal(drawn["left"].codes, reference(fields, seam, image, light).codes)
