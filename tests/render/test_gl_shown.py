"""Shares of light of a shader are those of the blend, where the rim fades too."""

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


@pytest.mark.parametrize("edge_deg", [0.0, 1.5])
def test_a_rim_fades_by_the_largest_depth_of_all_channels(context, tmp_path, edge_deg):
    """Four channels, claims from below nothing to above all, depths from outside to well inside."""
    shutil.copy(resource_path("shaders", "shown_weight.glsl"), tmp_path)
    (tmp_path / "stage.frag").write_text(STAGE)
    text = compose("stage.frag", options={"PREWARP_CLAIMS": 2}, folder=tmp_path).text
    program = context.program(vertex_shader=CORNERS, fragment_shader=text)
    random, shape = np.random.default_rng(6), (4, SIZE[1], SIZE[0])
    claims = random.uniform(-0.3, 1.2, shape).astype(np.float32)
    depth = random.uniform(-2.0, 2.0, shape).astype(np.float32)
    for unit, name in enumerate(("t_first", "t_second")):
        pairs = np.stack([claims, depth], axis=-1)[2 * unit : 2 * unit + 2]
        texture = make_texture(context, SIZE, "f4")
        texture.write(np.ascontiguousarray(np.concatenate(pairs, axis=-1)))
        texture.use(unit)
        program[name] = unit
    program["u_edge_deg"] = edge_deg
    target = Target(context, SIZE, "f4")
    target.frame.use()
    context.vertex_array(program, []).render(vertices=3)
    wanted = shown_weights(np.maximum(claims, 0.0), depth, edge_deg=edge_deg)[0]
    found = target.read()[..., 0]
    assert 0.3 < np.mean(wanted > 0.0) < 0.7
    np.testing.assert_allclose(found, wanted, atol=2e-6)
