"""The dither of shaders keeps the mean light of an area, for every step of an sRGB panel."""

import numpy as np
import pytest

from prewarp.glsl import compose
from prewarp.photometry.dither import BLUE_SIZE, dither_tile, plane_tiles

pytestmark = pytest.mark.gl

SHARES = (0.13, 0.5, 0.81)
# A threshold is the middle of 1/256 of a step; the rest is what a parabola leaves of the curve and float32
# rounds of light and of places among so many codes.
CLOSE = {8: 1.0 / 512.0 + 2e-4, 10: 1.0 / 512.0 + 1e-3}
_MAIN = f"""
uniform sampler2D t_wanted;
out vec4 out_encoded;
void main() {{
    ivec2 texel = ivec2(gl_FragCoord.xy);
    float light = texelFetch(t_wanted, ivec2(texel.y / {BLUE_SIZE}, 0), 0).r;
    out_encoded = vec4(prewarp_dithered(vec3(light), texel), 1.0);
}}
"""


def linear(encoded):
    """IEC 61966-2-1:1999, in float64."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


@pytest.mark.outside
@pytest.mark.parametrize("bits", [8, 10])
def test_every_step_keeps_its_mean_light(context, bits):
    largest = 2**bits - 1
    codes = np.unique(np.concatenate([np.arange(60), np.arange(60, largest, 9), [largest - 1]]))
    low, high = linear(codes / largest), linear((codes + 1) / largest)
    for share in SHARES:
        light = (low + share * (high - low)).astype(np.float32)
        program = context.program(
            vertex_shader=compose("picture.vert").text, fragment_shader=compose("dither.glsl").text + _MAIN
        )
        tile = plane_tiles(dither_tile("blue"))
        textures = {
            "t_dither": context.texture((BLUE_SIZE, BLUE_SIZE), 4, tile.tobytes()),
            "t_wanted": context.texture((len(light), 1), 1, light.tobytes(), dtype="f4"),
        }
        for unit, (name, texture) in enumerate(textures.items()):
            texture.filter = (context.NEAREST, context.NEAREST)
            texture.use(unit)
            program[name].value = unit
        program["u_largest_code"].value = float(largest)
        target = context.texture((BLUE_SIZE, BLUE_SIZE * len(light)), 4, dtype="f4")
        context.framebuffer([target]).use()
        context.vertex_array(program, []).render(vertices=3)
        values = np.frombuffer(target.read(), np.float32).reshape(len(light), BLUE_SIZE**2, 4)[..., :3]
        shown = values.astype(float) * largest
        assert np.abs(shown - np.rint(shown)).max() < 1e-3
        above = np.rint(shown) - codes[:, None, None]
        assert above.min() == 0.0 and above.max() == 1.0
        off = np.abs(above.mean(axis=1) - share).max(axis=1)
        # One step holds the end of the curve's straight part.
        bent = (codes <= 0.04045 * largest) & (codes + 1 > 0.04045 * largest)
        assert off[~bent].max() <= CLOSE[bits] and off[bent].max() <= 0.006
