// Meshes on the GPU, vertex stage in place of that of the vertex-mesh path: no vertex data, no indices; draw
// 6 (PREWARP_COLUMNS - 1) (PREWARP_ROWS - 1) vertices. Every cell is cut from its first node to the opposite one.
// t_nodes: from device_nodes.frag, of the same number of nodes.

#include "mesh_vertex.glsl"

#ifndef PREWARP_COLUMNS
#define PREWARP_COLUMNS 2
#endif
#ifndef PREWARP_ROWS
#define PREWARP_ROWS 2
#endif

uniform sampler2D t_nodes;

void main() {
    int cell = gl_VertexID / 6;
    int corner = gl_VertexID - 6 * cell;
    int row = cell / (PREWARP_COLUMNS - 1);
    // First, down, opposite; first, opposite, across.
    ivec2 node = ivec2(cell - row * (PREWARP_COLUMNS - 1), row)
               + ivec2(corner == 2 || corner > 3 ? 1 : 0, corner == 1 || corner == 2 || corner == 4 ? 1 : 0);
    vec4 red_green = texelFetch(t_nodes, node, 0);
    vec2 blue = texelFetch(t_nodes, node + ivec2(0, PREWARP_ROWS), 0).xy;
    vec3 gain = texelFetch(t_nodes, node + ivec2(0, 2 * PREWARP_ROWS), 0).rgb;
    vec2 panel_px = vec2(node) * u_panel_px / vec2(PREWARP_COLUMNS - 1, PREWARP_ROWS - 1);
    prewarp_mesh_vertex(panel_px, red_green.xy, red_green.zw, blue, gain);
}
