// Compute form of the vertex-mesh path: a panel from mesh nodes made on the GPU, 16 x 8 pixels a group, dispatched
// ceil(width / 16) x ceil(height / 8) times. t_nodes: from device_nodes.frag. Every cell is cut from its first node to the
// opposite one, and content points and gains are linear in between, as triangles are drawn. i_codes: encoded codes, 0 to 1.
// PREWARP_STORED: 8: bytes, 16: half floats (up to 10 bits), 32: floats. PREWARP_ROWS_UP: see panel_place.glsl.
// PREWARP_GROUP_COLUMNS, PREWARP_GROUP_ROWS: nodes each way that a group may touch: ceil(pixels / step) + 2.

#include "content_place.glsl"
#include "panel_share.glsl"
#include "panel_codes.glsl"

#ifndef PREWARP_ROWS_UP
#define PREWARP_ROWS_UP 0
#endif
#ifndef PREWARP_COLUMNS
#define PREWARP_COLUMNS 2
#endif
#ifndef PREWARP_ROWS
#define PREWARP_ROWS 2
#endif
#ifndef PREWARP_GROUP_COLUMNS
#define PREWARP_GROUP_COLUMNS 3
#endif
#ifndef PREWARP_GROUP_ROWS
#define PREWARP_GROUP_ROWS 3
#endif
#ifndef PREWARP_STORED
#define PREWARP_STORED 8
#endif
#define PREWARP_GROUP_NODES (PREWARP_GROUP_COLUMNS * PREWARP_GROUP_ROWS)

layout(local_size_x = 16, local_size_y = 8) in;
#if PREWARP_STORED == 8
layout(rgba8, binding = 0) writeonly uniform image2D i_codes;
#elif PREWARP_STORED == 16
layout(rgba16f, binding = 0) writeonly uniform image2D i_codes;
#else
layout(rgba32f, binding = 0) writeonly uniform image2D i_codes;
#endif

uniform sampler2D t_nodes;
uniform vec2 u_panel_px;

shared vec3 s_red[PREWARP_GROUP_NODES];
shared vec3 s_green[PREWARP_GROUP_NODES];
shared vec3 s_blue[PREWARP_GROUP_NODES];
#if PREWARP_LATE == 1
shared vec4 s_weighed_red_green[PREWARP_GROUP_NODES];
shared vec2 s_weighed_blue[PREWARP_GROUP_NODES];
#endif

void prewarp_read_node(int k, ivec2 node) {
    vec4 red_green = texelFetch(t_nodes, node, 0);
    vec2 blue = texelFetch(t_nodes, node + ivec2(0, PREWARP_ROWS), 0).xy;
    vec3 gain = texelFetch(t_nodes, node + ivec2(0, 2 * PREWARP_ROWS), 0).rgb;
#if PREWARP_LATE == 1
    vec2 panel_px = vec2(node) * u_panel_px / vec2(PREWARP_COLUMNS - 1, PREWARP_ROWS - 1);
    s_red[k] = vec3(prewarp_in_pose(red_green.xy, panel_px, u_head.w), gain.r);
    s_green[k] = vec3(prewarp_in_pose(red_green.zw, panel_px, u_head.w), gain.g);
    s_blue[k] = vec3(prewarp_in_pose(blue, panel_px, u_head.w), gain.b);
    s_weighed_red_green[k] = vec4(prewarp_in_pose(red_green.xy, panel_px, u_weights_for_s),
                                  prewarp_in_pose(red_green.zw, panel_px, u_weights_for_s));
    s_weighed_blue[k] = prewarp_in_pose(blue, panel_px, u_weights_for_s);
#else
    s_red[k] = vec3(prewarp_content_px(red_green.xy), gain.r);
    s_green[k] = vec3(prewarp_content_px(red_green.zw), gain.g);
    s_blue[k] = vec3(prewarp_content_px(blue), gain.b);
#endif
}

void main() {
    vec2 per_px = vec2(PREWARP_COLUMNS - 1, PREWARP_ROWS - 1) / u_panel_px;
    ivec2 last = ivec2(PREWARP_COLUMNS - 1, PREWARP_ROWS - 1);
    ivec2 corner = ivec2(vec2(gl_WorkGroupID.xy * uvec2(16u, 8u)) * per_px);
    for (int k = int(gl_LocalInvocationIndex); k < PREWARP_GROUP_NODES; k += 128) {
        int row = k / PREWARP_GROUP_COLUMNS;
        prewarp_read_node(k, min(corner + ivec2(k - row * PREWARP_GROUP_COLUMNS, row), last));
    }
    barrier();
    ivec2 pixel = ivec2(gl_GlobalInvocationID.xy);
    if (pixel.x >= int(u_panel_px.x) || pixel.y >= int(u_panel_px.y)) {
        return;
    }
    vec2 place = (vec2(pixel) + 0.5) * per_px;
    ivec2 cell = min(ivec2(place), last - 1);
    vec2 t = place - vec2(cell);
    cell -= corner;
    // First and opposite node of the cell, and the one between on the pixel's side of the cut.
    int first = cell.y * PREWARP_GROUP_COLUMNS + cell.x;
    int opposite = first + PREWARP_GROUP_COLUMNS + 1;
    int between = t.x >= t.y ? first + 1 : first + PREWARP_GROUP_COLUMNS;
    vec3 weight = vec3(1.0 - max(t.x, t.y), abs(t.x - t.y), min(t.x, t.y));
    vec3 red = weight.x * s_red[first] + weight.y * s_red[between] + weight.z * s_red[opposite];
    vec3 green = weight.x * s_green[first] + weight.y * s_green[between] + weight.z * s_green[opposite];
    vec3 blue = weight.x * s_blue[first] + weight.y * s_blue[between] + weight.z * s_blue[opposite];
#if PREWARP_LATE == 1
    vec4 weighed = weight.x * s_weighed_red_green[first] + weight.y * s_weighed_red_green[between]
                 + weight.z * s_weighed_red_green[opposite];
    vec2 weighed_blue =
        weight.x * s_weighed_blue[first] + weight.y * s_weighed_blue[between] + weight.z * s_weighed_blue[opposite];
    vec3 share = prewarp_shares(weighed.xy, weighed.zw, weighed_blue) * prewarp_on_content(red.xy, green.xy, blue.xy);
#else
    vec3 share = prewarp_shares_shown(red.xy, green.xy, blue.xy);
#endif
    vec3 codes = prewarp_panel_codes(red, green, blue, share, pixel);
#if PREWARP_ROWS_UP == 1
    pixel.y = int(u_panel_px.y) - 1 - pixel.y;
#endif
    imageStore(i_codes, pixel, vec4(codes, 1.0));
}
