"""An edited shader is taken, a broken one is not: the same for every path that draws."""

import shutil

import numpy as np
import pytest

from prewarp import glsl
from prewarp.errors import ShaderError
from prewarp.resources import resource_folder


def copied_shaders(tmp_path, monkeypatch):
    """Return a folder with copies of the shader pieces, which are composed until the test ends."""
    folder = tmp_path / "shaders"
    shutil.copytree(resource_folder("shaders"), folder)
    monkeypatch.setattr(glsl, "resource_folder", lambda name: folder)
    return folder


def hold_to_edits(stage, draw, piece, *, broken, dark, message):
    """Edit a piece twice and back; `broken` and `dark`: (old, new) texts, `draw`: a frame not black."""
    draw()
    first = stage.read()
    good = piece.read_text()
    piece.write_text(good.replace(*broken))
    with pytest.raises(ShaderError, match=message):
        stage.reload()
    draw()
    np.testing.assert_array_equal(stage.read(), first)
    piece.write_text(good.replace(*dark))
    stage.reload()
    draw()
    assert stage.read().max() == 0
    piece.write_text(good)
    stage.reload()
    draw()
    np.testing.assert_array_equal(stage.read(), first)
