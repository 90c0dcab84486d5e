// Panel pass of the report's live page: moves nodes of a panel's mesh so that straight triangles err as far both ways.
// t_nodes: from device_nodes.frag; the target is of its size. u_nodes: columns, rows.
// Where a mesh bends, triangles lie to one side of it: in a cell cut from its first node to the opposite one by a twelfth of
// its second differences (along u, along v and mixed), on the mean. Nodes are moved back by that, as seen in the content's
// plane. Gains are passed on.

#include "projection.glsl"

uniform sampler2D t_nodes;
uniform ivec2 u_nodes;

out vec4 out_node;

vec4 prewarp_planes(ivec2 texel) {
    vec4 both = texelFetch(t_nodes, texel, 0);
    return vec4(prewarp_plane_from_tangent(both.xy), prewarp_plane_from_tangent(both.zw));
}

void main() {
    ivec2 texel = ivec2(gl_FragCoord.xy);
    int block = texel.y / u_nodes.y;
    if (block == 2) {
        out_node = texelFetch(t_nodes, texel, 0);
        return;
    }
    // At an edge the differences of the next nodes inside.
    ivec2 first = ivec2(0, block * u_nodes.y);
    ivec2 centre = first + clamp(texel - first, ivec2(1), u_nodes - 2);
    vec4 bent = prewarp_planes(centre + ivec2(1, 0)) + prewarp_planes(centre - ivec2(1, 0))
              + prewarp_planes(centre + ivec2(0, 1)) + prewarp_planes(centre - ivec2(0, 1)) - 4.0 * prewarp_planes(centre);
    bent += 0.25 * (prewarp_planes(centre + ivec2(1, 1)) + prewarp_planes(centre - ivec2(1, 1))
                  - prewarp_planes(centre + ivec2(1, -1)) - prewarp_planes(centre + ivec2(-1, 1)));
    vec4 moved = prewarp_planes(texel) - bent / 12.0;
    out_node = vec4(prewarp_tangent_from_plane(moved.xy), prewarp_tangent_from_plane(moved.zw));
}
