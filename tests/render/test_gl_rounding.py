"""The GPU rounds to the nearest code and decodes the code that is there."""

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.mesh import panel_mesh
from prewarp.render.cpu import content_planes, panel_picture
from prewarp.render.gl import PanelPass
from prewarp.render.gpu import Program, Target, make_texture, row_texture
from tests.render.scenes import hard_scene

pytestmark = pytest.mark.gl

CONTENT = ContentProjection("flat", (800, 500), 80.0)


def test_codes_are_the_nearest(context, fields):
    meshes = [panel_mesh(fields.field("left", c), CONTENT, tracked_pupil_mm=np.zeros(3)) for c in "RGB"]
    image = hard_scene(800, 500)
    drawn = PanelPass(context, panel_size_px=(640, 480), content_size_px=(800, 500))
    drawn.set_content(image)
    drawn.set_meshes(meshes)
    drawn.draw()
    difference = (
        drawn.read().codes.astype(int)
        - panel_picture(content_planes(image), meshes, transfer=TransferFunction(), bit_depth=8).codes
    )
    assert abs(difference.mean()) < 0.02


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_every_code_is_decoded_as_itself(context, bits):
    codes = np.arange(2**bits)
    size = (64, len(codes) // 64)
    encoded = np.repeat((codes / codes[-1]).astype(np.float32)[:, None], 4, axis=1)
    picture = make_texture(context, size, "f4")
    picture.write(encoded.reshape(size[1], size[0], 4))
    light = TransferFunction().linear_of_codes(bits)
    target = Target(context, size, "f4")
    textures = {"t_panel_encoded": picture, "t_light": row_texture(context, light)}
    target.draw(Program(context, "decode_pass.frag", {}), textures)
    np.testing.assert_array_equal(target.read()[..., 1].ravel(), light.astype(np.float32))
