"""The GPU passes answer to the reference renderer."""

import sys

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction, linear_from_srgb
from prewarp.errors import RenderError, ShaderError
from prewarp.mesh import panel_mesh
from prewarp.render.cpu import content_planes, panel_picture, perceived_light, view_maps
from prewarp.render.gl import PanelPass, ViewPass, open_context
from prewarp.render.gpu import Program
from prewarp.render.pictures import encode_view
from tests.closed_form import PlaneChannel, plane_set
from tests.render.scenes import centroid, hard_scene, one_dot

pytestmark = pytest.mark.gl

PUPIL = np.array([2.0, -1.0, 0.5])
CONTENT = ContentProjection("flat", (800, 500), 80.0)
# Codes of 255. Positions in float32 differ by about 1e-4 px between the two, light by 1e-4 at hard edges;
# near black a code is 3e-4 of light, so light within 1e-4 of a threshold may fall on either side.
MOST_CODES, MOST_SHARE = 1, 0.999
ALL_CODES = 3
TABLE = TransferFunction("table", table=tuple(np.linspace(0.0, 1.0, 33) ** 1.9))


def meshes_of(fields, channel, seam=None, pupil=PUPIL):
    return [
        panel_mesh(fields.field(channel, colour), CONTENT, tracked_pupil_mm=pupil, seam=seam)
        for colour in "RGB"
    ]


def hold_to(reference, got, rim):
    """Compare 8-bit pictures outside the rim, per colour."""
    for plane in range(3):
        difference = np.abs(got[..., plane].astype(int) - reference[..., plane])[~rim[..., plane]]
        assert np.mean(difference <= MOST_CODES) >= MOST_SHARE
        assert difference.max() <= ALL_CODES


def rim_of(maps_by_channel, panel_size, view):
    """Per colour, True within a panel pixel of a panel's edge, or next to one on its other side."""
    x, y = np.arange(view.size_px[0]) + 0.5, np.arange(view.size_px[1]) + 0.5
    rim = np.zeros((len(y), len(x), 3), dtype=bool)
    for maps in maps_by_channel.values():
        for plane, spline in enumerate(maps):
            pixel = spline.on_lattice(x, y)
            beyond = np.maximum(-pixel, pixel - panel_size).max(axis=-1)
            rim[..., plane] |= np.abs(beyond) < 1.0
    return rim


@pytest.mark.parametrize(
    ("transfer", "bits"),
    [
        (TransferFunction(), 8),
        (TransferFunction("power", gamma=2.2), 8),
        (TABLE, 8),
        (TransferFunction(), 10),
    ],
    ids=["srgb", "power", "table", "srgb-10-bit"],
)
def test_panel_pass_equals_the_reference(context, fields, seam, transfer, bits):
    image = hard_scene(800, 500)
    for channel in fields.channels:
        meshes = meshes_of(fields, channel, seam)
        reference = panel_picture(content_planes(image), meshes, transfer=transfer, bit_depth=bits)
        drawn = PanelPass(
            context, panel_size_px=(640, 480), content_size_px=(800, 500), transfer=transfer, bit_depth=bits
        )
        drawn.set_content(image)
        drawn.set_meshes(meshes)
        drawn.draw()
        got = drawn.read()
        assert got.codes.dtype == reference.codes.dtype
        assert reference.shown().max() > 200
        hold_to(reference.shown(), got.shown(), np.zeros_like(got.codes, dtype=bool))


def test_view_pass_equals_the_reference(context, fields, seam):
    image = hard_scene(800, 500)
    pupil = np.array([1.0, 1.0, 0.0])
    maps = {name: view_maps(fields, name, CONTENT, pupil_mm=pupil) for name in fields.channels}
    passes, pictures = {}, {}
    for name in fields.channels:
        passes[name] = PanelPass(context, panel_size_px=(640, 480), content_size_px=(800, 500))
        passes[name].set_content(image)
        passes[name].set_meshes(meshes_of(fields, name, seam))
        passes[name].draw()
        pictures[name] = passes[name].read()
    view = ViewPass(context, view_size_px=CONTENT.size_px, panels=passes)
    view.set_maps(maps)
    view.draw()
    reference = perceived_light(pictures, maps, CONTENT)
    rim = rim_of(maps, np.array([640, 480]), CONTENT)
    assert rim.mean() < 0.02
    hold_to(encode_view(reference), view.read(), rim)
    assert np.max(np.abs(view.read_light() - reference)[~rim]) < 1e-3


@pytest.mark.parametrize("backwards", [False, True])
def test_one_dot_from_content_to_eye(context, backwards):
    """A dot right of the middle and above it: no axis is swapped or turned over."""
    channel = PlaneChannel("one", half_width=0.5, division=0.08, u_backwards=backwards)
    fields = plane_set(channel)
    panel = PanelPass(context, panel_size_px=(640, 480), content_size_px=(800, 500))
    panel.set_content(one_dot(800, 500, 560, 190))
    panel.set_meshes(meshes_of(fields, "one"))
    panel.draw()
    direction = CONTENT.tangent_from_pixel(np.array([560.5, 190.5]))
    expected = channel.inverse(direction, pupil_mm=PUPIL).pixel
    found = centroid(panel.read().linear()[..., 1])
    np.testing.assert_allclose(found, expected, atol=0.05)
    assert (found[0] < 320.0) == backwards and found[1] < 240.0
    view = ViewPass(context, view_size_px=CONTENT.size_px, panels={"one": panel})
    view.set_maps({"one": view_maps(fields, "one", CONTENT, pupil_mm=PUPIL)})
    view.draw()
    np.testing.assert_allclose(
        centroid(linear_from_srgb(view.read()[..., 1] / 255.0)), [560.5, 190.5], atol=0.05
    )


def test_a_new_pupil_reuses_every_texture(context, fields):
    panel = PanelPass(context, panel_size_px=(640, 480), content_size_px=(800, 500))
    panel.set_content(hard_scene(800, 500))
    pictures, names = [], []
    for pupil in (PUPIL, -PUPIL, PUPIL):
        panel.set_meshes(meshes_of(fields, "left", pupil=pupil))
        panel.draw()
        pictures.append(panel.read().codes)
        names.append((panel.texture.glo, *(texture.glo for texture in panel._meshes.named().values())))
    assert names[0] == names[1] == names[2]
    np.testing.assert_array_equal(pictures[0], pictures[2])
    assert np.any(pictures[0] != pictures[1])


def test_errors_say_what_to_do(context, fields):
    panel = PanelPass(context, panel_size_px=(640, 480), content_size_px=(800, 500))
    with pytest.raises(RenderError, match="call set_meshes or set_maps first"):
        panel.draw()
    with pytest.raises(RenderError, match=r"content picture has shape \(5, 5, 3\); expected \(500, 800, 3\)"):
        panel.set_content(np.zeros((5, 5, 3), dtype=np.uint8))
    panel.set_meshes(meshes_of(fields, "left"))
    coarse = [
        panel_mesh(fields.field("left", c), CONTENT, tracked_pupil_mm=PUPIL, step_px=64.0) for c in "RGB"
    ]
    with pytest.raises(RenderError, match="this pass was begun with 43 x 33. Keep the node step"):
        panel.set_meshes(coarse)
    with pytest.raises(RenderError, match="this driver takes at most"):
        PanelPass(context, panel_size_px=(640, 480), content_size_px=(1 << 20, 16))


def test_unknown_uniform_is_an_error(context):
    with pytest.raises(
        ShaderError, match="panel_pass.frag: no uniform 'u_node_per_px'. Did you mean 'u_nodes_per_px'"
    ):
        Program(context, "panel_pass.frag", {}).set("u_node_per_px", (1.0, 1.0))


def test_driver_messages_name_the_piece(context, tmp_path, monkeypatch):
    from prewarp import glsl

    folder = tmp_path / "shaders"
    folder.mkdir()
    for name in (
        "picture.vert",
        "encoding.glsl",
        "sampling.glsl",
        "spline.glsl",
        "dither.glsl",
        "panel_codes.glsl",
        "content_size.glsl",
        "shown_weight.glsl",
        "panel_pass.frag",
    ):
        folder.joinpath(name).write_text(glsl.resource_folder("shaders").joinpath(name).read_text())
    broken = folder / "sampling.glsl"
    lines = broken.read_text().splitlines()
    line = next(n for n, text in enumerate(lines) if "vec4 top = mix" in text)
    lines[line] = "    vec4 top = no_such_function(t.x);"
    broken.write_text("\n".join(lines))
    monkeypatch.setattr(glsl, "resource_folder", lambda name: folder)
    with pytest.raises(ShaderError, match=rf"sampling\.glsl:{line + 1}\D.*no_such_function"):
        Program(context, "panel_pass.frag", {})


def test_without_opengl_the_error_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "moderngl", None)
    with (
        pytest.raises(RenderError, match="Install moderngl and EGL .* or use the CPU renderer"),
        open_context(),
    ):
        pass
