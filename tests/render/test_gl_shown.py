"""Shares of light of a shader are those of the blend, where the rim fades too; where a channel is alone."""

import shutil

import numpy as np
import pytest

from prewarp.glsl import compose
from prewarp.render.gpu import Target, make_texture
from prewarp.resources import resource_path
from prewarp.seam import shown_weights

pytestmark = pytest.mark.gl

STAGE = """#include "shown_weight.glsl"
uniform sampler2D t_first;
uniform sampler2D t_second;
out vec4 out_weight;
void main() {
    vec4 claims[2];
    claims[0] = texelFetch(t_first, ivec2(gl_FragCoord.xy), 0);
    claims[1] = texelFetch(t_second, ivec2(gl_FragCoord.xy), 0);
    out_weight = vec4(prewarp_shown_weight(claims));
}
"""
CORNERS = """#version 330 core
void main() { gl_Position = vec4(4 * (gl_VertexID % 2) - 1, 4 * (gl_VertexID / 2) - 1, 0, 1); }
"""
SIZE = (32, 24)


ALONE = """#include "alone.glsl"
uniform sampler2D t_first;
uniform sampler2D t_second;
out vec4 out_inside;
void main() {
    vec4 both = texelFetch(t_first, ivec2(gl_FragCoord.xy), 0);
    out_inside = vec4(prewarp_alone(both.xy, both.zw, texelFetch(t_second, ivec2(gl_FragCoord.xy), 0).xy));
}
"""


def drawn(context, folder, piece, stage, first, second, options, **uniforms):
    """Return what a stage that includes a piece draws from two textures (height, width, 4)."""
    shutil.copy(resource_path("shaders", piece), folder)
    (folder / "stage.frag").write_text(stage)
    text = compose("stage.frag", options=options, folder=folder).text
    program = context.program(vertex_shader=CORNERS, fragment_shader=text)
    for unit, (name, values) in enumerate((("t_first", first), ("t_second", second))):
        texture = make_texture(context, SIZE, "f4")
        texture.write(np.ascontiguousarray(values, np.float32))
        texture.use(unit)
        program[name] = unit
    for name, value in uniforms.items():
        program[name] = value
    target = Target(context, SIZE, "f4")
    target.frame.use()
    context.vertex_array(program, []).render(vertices=3)
    return target.read()[..., 0]


def test_a_channel_is_alone_where_all_its_colours_are(context, tmp_path):
    """How far the colour that lies outermost lies inside a rectangle."""
    middle, half = np.array([40.0, 30.0]), np.array([20.0, 12.0])
    place = np.random.default_rng(2).uniform(0.0, 80.0, (3, SIZE[1], SIZE[0], 2)).astype(np.float32)
    both, blue = np.concatenate(place[:2], axis=-1), np.concatenate([place[2]] * 2, axis=-1)
    uniforms = {"u_alone_middle": tuple(middle), "u_alone_half": tuple(half)}
    found = drawn(context, tmp_path, "alone.glsl", ALONE, both, blue, {}, **uniforms)
    np.testing.assert_allclose(found, -np.max(np.abs(place - middle) - half, axis=(0, 3)), atol=1e-4)


@pytest.mark.parametrize("edge_deg", [0.0, 1.5])
def test_a_rim_fades_by_the_largest_depth_of_all_channels(context, tmp_path, edge_deg):
    """Four channels, claims from below nothing to above all, depths from outside to well inside."""
    random, shape = np.random.default_rng(6), (4, SIZE[1], SIZE[0])
    claims = random.uniform(-0.3, 1.2, shape).astype(np.float32)
    depth = random.uniform(-2.0, 2.0, shape).astype(np.float32)
    first, second = (np.concatenate(np.stack([claims, depth], axis=-1)[k : k + 2], axis=-1) for k in (0, 2))
    options = {"PREWARP_CLAIMS": 2}
    found = drawn(context, tmp_path, "shown_weight.glsl", STAGE, first, second, options, u_edge_deg=edge_deg)
    wanted = shown_weights(np.maximum(claims, 0.0), depth, edge_deg=edge_deg)[0]
    assert 0.3 < np.mean(wanted > 0.0) < 0.7
    np.testing.assert_allclose(found, wanted, atol=2e-6)
