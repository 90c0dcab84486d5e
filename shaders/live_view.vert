// View pass of the report's live page, one colour: node of a channel's mesh -> where it is seen from the true pupil.
// t_nodes: from device_nodes.frag for the true pupil. Vertex k is node k of (columns + 2) x (rows + 2), row by row: a ring of
// nodes lies around the panel, straight on from its edge, and the fragment stage ends the panel where it ends.
// u_nodes: columns, rows. u_plane: 0 red, 1 green, 2 blue. u_panel_px: width, height. u_turn_rad_per_s: turn of the head;
// u_lit_s: (c, a, b), a panel point (u, v) px is lit at c + a u + b v, s after the moment that the content was drawn for.
// u_view_middle, u_view_scale: view px = middle + plane * scale. u_view_px: size of the view; row 0 of the target is its top.
// v_panel: place on the panel, 0 to 1. v_gain: gain of a luminance match there, as seen from the true pupil; else 1.

// Drivers move vertices to a lattice of 1/16 px or finer (OpenGL ES 3.0, SUBPIXEL_BITS at least 4). Here they lie on it, and
// say the place on the panel that is seen there, so that no driver moves the picture.

#include "projection.glsl"
#include "turning.glsl"

#define PREWARP_SUBPIXELS 16.0

uniform sampler2D t_nodes;
uniform ivec2 u_nodes;
uniform int u_plane;
uniform vec2 u_panel_px;
uniform vec3 u_turn_rad_per_s;
uniform vec3 u_lit_s;
uniform vec2 u_view_middle;
uniform vec2 u_view_scale;
uniform vec2 u_view_px;

out vec2 v_panel;
out float v_gain;

vec2 prewarp_seen_px(ivec2 node) {
    vec4 red_green = texelFetch(t_nodes, u_plane == 2 ? node + ivec2(0, u_nodes.y) : node, 0);
    float since_s = u_lit_s.x + dot(u_lit_s.yz, vec2(node) / vec2(u_nodes - 1) * u_panel_px);
    vec2 seen = prewarp_turned_by(u_plane == 1 ? red_green.zw : red_green.xy, u_turn_rad_per_s * since_s);
    return u_view_middle + prewarp_plane_from_tangent(seen) * u_view_scale;
}

// What is added to the view px from node to node along an axis.
vec2 prewarp_step_px(ivec2 node, ivec2 axis) {
    ivec2 before = max(node - axis, ivec2(0));
    ivec2 after = min(node + axis, u_nodes - 1);
    ivec2 steps = after - before;
    return (prewarp_seen_px(after) - prewarp_seen_px(before)) / float(steps.x + steps.y);
}

void main() {
    int columns = u_nodes.x + 2;
    ivec2 ringed = ivec2(gl_VertexID % columns, gl_VertexID / columns) - 1;
    ivec2 node = clamp(ringed, ivec2(0), u_nodes - 1);
    v_gain = texelFetch(t_nodes, node + ivec2(0, 2 * u_nodes.y), 0)[u_plane];
    mat2 steps = mat2(prewarp_step_px(node, ivec2(1, 0)), prewarp_step_px(node, ivec2(0, 1)));
    vec2 pixel = prewarp_seen_px(node) + steps * vec2(ringed - node);
    vec2 snapped = floor(pixel * PREWARP_SUBPIXELS + 0.5) / PREWARP_SUBPIXELS;
    // Where nodes lie on one another there is nothing to be seen.
    vec2 moved = abs(determinant(steps)) > 1e-6 ? inverse(steps) * (snapped - pixel) : vec2(0.0);
    v_panel = (vec2(ringed) + moved) / vec2(u_nodes - 1);
    gl_Position = vec4(2.0 * snapped / u_view_px - 1.0, 0.0, 1.0);
}
