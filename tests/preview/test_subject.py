"""What is looked at: with and without a module, by file names, by the demo's names."""

import numpy as np
import pytest

from prewarp.errors import InputFileError, ModuleError, SeamError
from prewarp.module import read_module
from prewarp.preview import subject as module
from prewarp.preview.subject import load_subject, make_subject
from prewarp.resources import resource_path
from tests.cli.conftest import CHANNEL, MODULE
from tests.closed_form import PlaneChannel, plane_set
from tests.preview.conftest import HALF_MM, BoxedSet, make


@pytest.fixture
def visor(tmp_path):
    def write(**channels):
        text = MODULE + "".join(
            CHANNEL.format(name=name, low=low, high=high) for name, (low, high) in channels.items()
        )
        path = tmp_path / "visor.toml"
        path.write_text(text.replace("half_z_mm = 0.0", "half_z_mm = 1.5"), encoding="utf-8")
        return path

    return write


def test_without_a_module_the_content_covers_what_the_channels_show(subject):
    made = make_subject(subject.fields, step_px=40.0)
    assert made.channels == ("left", "right") and made.content.projection == "equidistant"
    np.testing.assert_array_equal(made.half_mm, HALF_MM)
    for field in subject.fields.fields.values():
        corners = np.array([[0.0, 0.0], [640.0, 0.0], [0.0, 480.0], [640.0, 480.0]])
        pixel = made.content.pixel_from_tangent(field.forward(corners, pupil_mm=np.zeros(3)))
        assert np.all((pixel >= 0.0) & (pixel <= made.content.size_px))


def test_a_module_gives_eye_box_content_and_channels(subject, visor):
    description = read_module(visor(left=(-40, 10), right=(-10, 40)))
    made = make_subject(subject.fields, module=description, step_px=40.0)
    assert made.name == "test visor, right eye" and made.content == description.content
    np.testing.assert_array_equal(made.half_mm, [3.0, 3.0, 1.5])
    with pytest.raises(ModuleError, match="no channel for the left eye; there is right"):
        make_subject(subject.fields, module=description, eye="left")


def test_a_module_of_another_display_is_refused(subject, visor):
    description = read_module(visor(left=(-40, 10), rigth=(-10, 40)))
    with pytest.raises(ModuleError, match="channel 'rigth' is not in the fit.* Did you mean 'right'"):
        make_subject(subject.fields, module=description)


def test_one_channel_has_no_seam():
    fields = BoxedSet(plane_set(PlaneChannel("one", half_width=0.3)).fields)
    made = make_subject(fields, step_px=80.0)
    assert made.seam is None and np.all(made.weights["one"].weight == 1.0)


def test_channels_apart_are_an_error():
    apart = plane_set(
        PlaneChannel("a", centre=(-0.6, 0.0), half_width=0.2), PlaneChannel("b", centre=(0.6, 0.0))
    )
    with pytest.raises(SeamError, match="do not overlap"):
        make_subject(BoxedSet(apart.fields))


def test_demo_names_stand_for_their_modules(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    asked = []
    monkeypatch.setattr(module, "read_grid", lambda path: asked.append(path) or "grid")
    monkeypatch.setattr(module, "fit_grid", lambda grid, panel_size_px: make().fields)
    told = []
    with pytest.raises(ModuleError, match="is not in the fit"):
        load_subject(module.Path("folded"), progress=told.append)
    assert asked == [resource_path("calib", "folded.grid.npz")]
    assert any("fitting folded.grid.npz" in text for text in told)
    with pytest.raises(InputFileError, match="not found"):
        load_subject(module.Path("unfolded"))
