"""What is looked at: with and without a module, by file names, by the demo's names."""

import numpy as np
import pytest

from prewarp.errors import InputFileError, ModuleError
from prewarp.eye import eye_of_fit
from prewarp.preview import subject as module
from prewarp.preview.subject import load_subject, subject_of
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


def test_a_fit_with_and_without_a_module(subject, visor, tmp_path, monkeypatch):
    fit = tmp_path / "some.fit.npz"
    fit.write_bytes(b"")
    monkeypatch.setattr(module.FieldSet, "load", lambda path: subject.eye.fields)
    alone = load_subject(fit)
    assert alone.eye.side is None and alone.files == (fit,)
    np.testing.assert_array_equal(alone.eye.eye_box.half_mm, HALF_MM)
    path = visor(left=(-40, 10), right=(-10, 40))
    made = load_subject(fit, module_path=path)
    assert made.eye.name == "test visor, right eye" and made.files == (fit, path)
    np.testing.assert_array_equal(made.eye.eye_box.half_mm, [3.0, 3.0, 1.5])
    with pytest.raises(ModuleError, match="no channel for the left eye; there is one for the right eye"):
        load_subject(fit, module_path=path, eye="left")
    with pytest.raises(ModuleError, match="channel 'rigth' is not in the fit.* Did you mean 'right'"):
        load_subject(fit, module_path=visor(left=(-40, 10), rigth=(-10, 40)))
    with pytest.raises(ModuleError, match="Name one with --module"):
        load_subject(fit, light_path=resource_path("calib", "coaxial.grid.npz"))


def test_one_channel_has_no_seam():
    fields = BoxedSet(plane_set(PlaneChannel("one", half_width=0.3)).fields)
    made = subject_of(eye_of_fit(fields), step_px=80.0)
    assert not made.eye.has_seam and np.all(made.weights["one"].weight == 1.0)


def test_demo_names_stand_for_their_modules(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    asked = []
    monkeypatch.setattr(module, "read_grid", lambda path: asked.append(path) or "grid")
    monkeypatch.setattr(module, "fit_grid", lambda grid, panel_size_px: make().eye.fields)
    told = []
    with pytest.raises(ModuleError, match="is not in the fit"):
        load_subject(module.Path("folded"), progress=told.append)
    assert asked == [resource_path("calib", "folded.grid.npz")]
    assert any("fitting folded.grid.npz" in text for text in told)
    with pytest.raises(InputFileError, match="not found"):
        load_subject(module.Path("unfolded"))
