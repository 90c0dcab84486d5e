"""Choosing a renderer: what stands in for what, and that both show the same."""

import sys

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import RenderError
from prewarp.mesh import panel_mesh
from prewarp.render import drawing as module
from prewarp.render.cpu import view_maps
from prewarp.render.drawing import open_drawing
from tests.closed_form import plane_set, two_channels

CONTENT = ContentProjection("flat", (256, 128), 60.0)


def drawn(choice):
    fields = plane_set(*two_channels(panel_size_px=(160, 120)))
    image = np.random.default_rng(1).integers(0, 256, (128, 256, 3), dtype=np.uint8)
    meshes = {
        name: [
            panel_mesh(fields.field(name, colour), CONTENT, tracked_pupil_mm=(0, 0, 0)) for colour in "RGB"
        ]
        for name in fields.channels
    }
    with open_drawing(choice) as drawing:
        panels = drawing.panels(image, meshes)
        view = drawing.view(
            {name: view_maps(fields, name, CONTENT, pupil_mm=(0, 0, 0)) for name in fields.channels}, CONTENT
        )
        return drawing.name, panels, view


def test_without_moderngl_the_cpu_stands_in_and_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "moderngl", None)
    name, panels, view = drawn("auto")
    assert name.startswith("CPU renderer, standing in for a GPU: no OpenGL")
    np.testing.assert_array_equal(view, drawn("none")[2])
    assert set(panels) == {"left", "right"}


@pytest.mark.parametrize(
    "failure", [RuntimeError("broken driver"), OSError("libEGL.so.1"), ValueError("odd")]
)
def test_a_driver_that_fails_in_any_way_is_replaced(monkeypatch, failure):
    def fail():
        raise failure

    monkeypatch.setattr(module, "open_context", fail)
    assert drawn("auto")[0].startswith("CPU renderer, standing in")


def test_egl_asked_for_and_missing_is_an_error(monkeypatch):
    monkeypatch.setitem(sys.modules, "moderngl", None)
    with pytest.raises(RenderError, match="Install moderngl and EGL"):
        drawn("egl")


def test_an_unknown_renderer_is_an_error():
    with pytest.raises(RenderError, match="'vulkan'; expected one of auto, egl, none"):
        drawn("vulkan")


@pytest.mark.gl
def test_opengl_shows_what_the_cpu_shows(context):
    name, panels, view = drawn("egl")
    assert name.startswith("OpenGL, ")
    _, expected_panels, expected = drawn("none")
    for channel, picture in panels.items():
        difference = np.abs(picture.codes.astype(int) - expected_panels[channel].codes)
        assert (difference <= 1).mean() > 0.999
    assert (np.abs(view.astype(int) - expected) <= 1).mean() > 0.98
