"""Panels by the exported desktop shaders: their text is the package's, their pictures the CPU renderer's."""

from dataclasses import replace
from types import SimpleNamespace

import moderngl
import numpy as np
import pytest

from prewarp.encoding import TransferFunction
from prewarp.errors import RenderError
from prewarp.export.package import PackageOptions, export_package
from prewarp.export.share_textures import texel_count
from prewarp.eye import PanelDrive
from prewarp.preview.exported import ExportedPanels, device_build
from prewarp.preview.stage import Stage
from prewarp.preview.state import State
from prewarp.render.cpu import prewarp_panel
from prewarp.render.gpu import FRAMEBUFFER_SRGB, light_sampler
from prewarp.render.live.eye_table import eye_table
from prewarp.render.live.mesh import EyeMesh
from prewarp.render.live.panel import ContentTexture
from prewarp.render.live.weight_map import weight_map
from prewarp.seam.blend import LEAST_CLAIM
from tests.preview.conftest import CONTENT, HALF_MM, SIZE, still
from tests.preview.editing import copied_shaders, hold_to_edits

pytestmark = pytest.mark.gl

PUPIL, TRACKED = np.array([2.0, -1.0, 0.5]), np.array([1.0, 0.5, -1.0])
# As in `tests/render/test_gl.py`, codes of 255.
MOST_CODES, MOST_SHARE, ALL_CODES = 1, 0.999, 3
TABLE = TransferFunction("table", table=tuple(np.linspace(0.0, 1.0, 33) ** 1.9))


class SmoothSeam:
    """Weights in closed form, smooth everywhere: no lattice loses anything at crossing outlines."""

    def index(self, channel):
        return ("left", "right").index(channel)

    edge_deg = 0.0
    channels = ("left", "right")

    def at(self, pupil_mm):
        return self

    def depth_deg(self, tangent):
        return np.full((2, *tangent.shape[:-1]), np.inf)

    @property
    def claims(self):
        return SimpleNamespace(at=self._claims)

    def _claims(self, tangent):
        share = np.clip(tangent[..., 0] / 0.6 + 0.5, 0.0, 1.0)
        right = share**3 * (10.0 - 15.0 * share + 6.0 * share**2)
        return np.stack([1.0 - right, right])

    def weights(self, tangent):
        return (self._claims(tangent) + LEAST_CLAIM) / (1.0 + 2.0 * LEAST_CLAIM)


@pytest.fixture(scope="module")
def smooth(subject):
    """Nodes close enough that triangles follow the closed form to a small part of a code."""
    seam = SmoothSeam()
    tables = {
        name: eye_table(subject.eye.fields, name, half_mm=HALF_MM, step_px=8.0)
        for name in subject.eye.channels
    }
    return replace(subject, eye=replace(subject.eye, known_seam=seam), tables=tables)


def with_panels(subject, content, transfer, bits):
    panels = {name: PanelDrive(own.size_px, transfer, bits) for name, own in subject.eye.panels.items()}
    return replace(
        subject,
        eye=replace(subject.eye, content=content, panels=panels),
        weights={name: weight_map(subject.eye.seam, content, name) for name in subject.eye.channels},
    )


def panel_of(context, subject, channel, **options):
    """Draw one channel's panel for the tracked pupil and return it."""
    context.enable_direct(FRAMEBUFFER_SRGB)
    mesh = EyeMesh(
        context, subject.tables[channel], subject.weights[channel], subject.eye.content, with_gains=True
    )
    mesh.set_tracked(TRACKED)
    picture = ContentTexture(context, subject.eye.content.size_px)
    picture.write(still("smooth", subject.eye.content.size_px))
    panel = ExportedPanels(device_build(subject))(
        context,
        mesh,
        picture,
        transfer=subject.eye.transfers[channel],
        bit_depth=subject.eye.bit_depths[channel],
        **options,
    )
    panel.draw(mesh.shown.textures, light_sampler(context))
    return panel


def codes_of(panel, bits):
    """Return whole codes of what the device's target holds, (height, width, 3)."""
    return np.rint(panel.codes.read() / (255.0 if bits <= 8 else 1.0) * (2**bits - 1)).astype(int)


@pytest.mark.parametrize(
    ("projection", "transfer", "bits"),
    [
        ("flat", TransferFunction(), 8),
        ("equidistant", TransferFunction("power", gamma=2.2), 8),
        ("flat", TABLE, 8),
        ("flat", TransferFunction(), 10),
        ("flat", TransferFunction(), 6),
    ],
    ids=["srgb", "power-equidistant", "table", "srgb-10-bit", "srgb-6-bit"],
)
def test_panels_are_those_of_the_cpu_renderer(context, smooth, projection, transfer, bits):
    content = replace(CONTENT, projection=projection)
    subject = with_panels(smooth, content, transfer, bits)
    for name in subject.eye.channels:
        panel = panel_of(context, subject, name)
        expected = prewarp_panel(
            subject.eye.fields,
            content,
            still("smooth", content.size_px),
            channel=name,
            tracked_pupil_mm=TRACKED,
            seam=subject.eye.seam, transfer=transfer, bit_depth=bits,
        )  # fmt: skip
        codes = codes_of(panel, bits)
        assert expected.shown().max() > 150
        # In codes of 255, a panel of fewer bits in its own.
        difference = np.abs(codes - expected.codes.astype(int)) * min(255 / (2**bits - 1), 1.0)
        assert np.mean(difference <= MOST_CODES) >= MOST_SHARE
        assert difference.max() <= ALL_CODES
        light = np.frombuffer(panel.texture.read(), dtype=np.float16).reshape(480, 640, 4)[..., :3]
        # Half floats carry 11 bits.
        np.testing.assert_allclose(light, transfer.linear_of_codes(bits)[codes], rtol=1e-3, atol=1e-6)


def test_the_shaders_are_those_of_a_package(context, subject, tmp_path, monkeypatch):
    """What the driver compiles is, byte for byte, what lies in an exported folder."""
    compiled = []
    program = moderngl.Context.program

    def watched(self, *, vertex_shader, fragment_shader=None, **options):
        compiled.append((vertex_shader, fragment_shader))
        return program(self, vertex_shader=vertex_shader, fragment_shader=fragment_shader, **options)

    monkeypatch.setattr(moderngl.Context, "program", watched)
    stage = Stage(context, subject, SIZE, picture_of=still, path="exported")
    build = device_build(subject)
    options = PackageOptions(formats=("shaders",), dialects=("glsl330",), eye="right")
    export_package(tmp_path / "package", build, options)
    folder = tmp_path / "package" / "shaders" / "glsl330"
    for name, panel in stage.eye.panels.items():
        texts = tuple(
            (folder / f"{build.stem(name)}_mesh.{stage_name}").read_bytes()
            for stage_name in ("vert", "frag")
        )  # fmt: skip
        assert tuple(text.encode() for text in (panel.drawing.vertex, panel.drawing.fragment)) == texts
        assert tuple(text.decode() for text in texts) in compiled


def test_vertices_are_the_nodes_of_the_live_mesh(context, smooth):
    content = replace(CONTENT, projection="equidistant")
    subject = with_panels(smooth, content, TransferFunction(), 8)
    panel = panel_of(context, subject, "right")
    table = subject.tables["right"]
    vertices = np.frombuffer(panel.vertices.read(), dtype=np.float32).reshape(*table.node_shape, 11)
    np.testing.assert_allclose(vertices[..., :2], table.node_px, rtol=1e-6, atol=1e-4)
    tangents = table.tangents(TRACKED)
    np.testing.assert_allclose(
        vertices[..., 2:8].reshape(*table.node_shape, 3, 2), tangents, rtol=0, atol=4e-5
    )
    # Shares of light are formed in every pixel; luminance is not known here.
    assert np.all(vertices[..., 8:] == 1.0)


def test_smaller_panels_hold_the_mean_light_of_the_device_s_pixels(context, smooth):
    subject = with_panels(smooth, CONTENT, TransferFunction(), 8)
    panel = panel_of(context, subject, "left", shrink=4)
    light = TransferFunction().linear_of_codes(8)[codes_of(panel, 8)]
    mean = light.reshape(120, 4, 160, 4, 3).mean(axis=(1, 3))
    got = np.frombuffer(panel.texture.read(), dtype=np.float16).reshape(120, 160, 4)[..., :3]
    np.testing.assert_allclose(got, mean, rtol=1e-3, atol=1e-6)


@pytest.fixture(scope="module")
def stage(session_context, subject):
    with session_context:
        return Stage(session_context, subject, SIZE, picture_of=still, path="exported")


def test_shares_alone_are_sent_while_only_the_eye_moves(context, stage, monkeypatch):
    """One texture a panel, as a device must; nothing is made."""
    state = State(scene="smooth")
    stage.draw(state, PUPIL, TRACKED)
    first = stage.read()

    def forbidden(*arguments, **options):
        raise AssertionError("something was made or sent while only the eye moved")

    for name in ("texture", "buffer", "framebuffer", "program", "vertex_array", "sampler", "compute_shader"):
        monkeypatch.setattr(moderngl.Context, name, forbidden)
    sent = []
    monkeypatch.setattr(moderngl.Texture, "write", lambda texture, data: sent.append(data.nbytes))
    monkeypatch.setattr(moderngl.Buffer, "write", forbidden)
    stage.draw(state, -PUPIL, -TRACKED)
    columns, rows = texel_count(CONTENT)
    assert sent == [rows * columns * 4 * 2] * 2
    assert np.any(stage.read() != first)
    monkeypatch.undo()
    stage.draw(state, PUPIL, TRACKED)
    np.testing.assert_array_equal(stage.read(), first)


def test_an_edited_shader_is_exported_anew_and_a_broken_one_is_not_taken(
    context, stage, tmp_path, monkeypatch
):
    folder = copied_shaders(tmp_path, monkeypatch)
    hold_to_edits(
        stage,
        lambda: stage.draw(State(scene="smooth", view="panels"), PUPIL, TRACKED),
        folder / "device_mesh.frag",
        broken=("prewarp_panel_codes(red", "no_such_function(red"),
        dark=("vec4(prewarp_panel_codes(", "vec4(0.0 * prewarp_panel_codes("),
        message=r"(?s)the device's shaders do not compile.*no_such_function",
    )


def test_an_unknown_path_is_refused(context, subject):
    with pytest.raises(RenderError, match="path is 'twin'; expected one of mesh, compute, exported"):
        Stage(context, subject, SIZE, picture_of=still, path="twin")
