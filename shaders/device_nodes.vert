// Meshes on the GPU, vertex stage in place of that of the vertex-mesh path: no vertex data, no indices; draw
// 6 (PREWARP_COLUMNS - 1) (PREWARP_ROWS - 1) vertices. Every cell is cut from its first node to the opposite one.
// t_nodes: from device_nodes.frag, of the same number of nodes. PREWARP_BENT: see device_mesh.frag.

#include "mesh_vertex.glsl"

#ifndef PREWARP_COLUMNS
#define PREWARP_COLUMNS 2
#endif
#ifndef PREWARP_ROWS
#define PREWARP_ROWS 2
#endif

uniform sampler2D t_nodes;

#if PREWARP_BENT == 1
vec2 prewarp_green_px(ivec2 node) {
    return prewarp_content_px(texelFetch(t_nodes, node, 0).zw);
}

// How the mesh bends about a node, or the next one inside of an edge. Red and blue bend as green does.
void prewarp_bend(ivec2 node) {
    ivec2 centre = clamp(node, ivec2(1), ivec2(PREWARP_COLUMNS - 2, PREWARP_ROWS - 2));
    vec2 middle = prewarp_green_px(centre);
    v_node = vec2(node);
    v_along = 0.5 * (prewarp_green_px(centre + ivec2(1, 0)) + prewarp_green_px(centre - ivec2(1, 0))) - middle;
    v_down = 0.5 * (prewarp_green_px(centre + ivec2(0, 1)) + prewarp_green_px(centre - ivec2(0, 1))) - middle;
    v_across = 0.25 * (prewarp_green_px(centre + ivec2(1, 1)) - prewarp_green_px(centre + ivec2(1, -1))
                     - prewarp_green_px(centre + ivec2(-1, 1)) + prewarp_green_px(centre - ivec2(1, 1)));
}
#endif

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
#if PREWARP_BENT == 1
    prewarp_bend(node);
#endif
}
