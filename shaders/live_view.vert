// View pass of the report's live page, one colour: node of a channel's mesh -> where it is seen from the true pupil.
// t_nodes: from device_nodes.frag for the true pupil; u_nodes: its columns, rows. u_cells: cells drawn here, between every n-th
// node. Vertex k is node k of (columns + 2) x (rows + 2), row by row: a ring of nodes lies around the panel, straight on.
// u_plane: 0 red, 1 green, 2 blue. u_panel_px: width, height. u_turn_rad_per_s: turn of the head; u_lit_s: (c, a, b), a panel
// point (u, v) px is lit at c + a u + b v, s after the moment that the content was drawn for.
// u_view_middle, u_view_scale: view px = middle + plane * scale. u_view_px: size of the view; row 0 of the target is its top.
// v_place: place on the panel, cells. v_gain: gain of a luminance match there, as seen from the true pupil; else 1.
// v_along, v_down, v_across: how the mesh bends: halves of second differences along u and v, and the mixed one; cells.

// Drivers move vertices to a lattice of 1/16 px or finer (OpenGL ES 3.0, SUBPIXEL_BITS at least 4). Here they lie on it, and
// say the place on the panel that is seen there, so that no driver moves the picture.

#include "projection.glsl"
#include "turning.glsl"

#define PREWARP_SUBPIXELS 16.0
// Where the mesh nearly folds, second differences say little.
#define PREWARP_MOST_BENT 0.25

uniform sampler2D t_nodes;
uniform ivec2 u_nodes;
uniform ivec2 u_cells;
uniform int u_plane;
uniform vec2 u_panel_px;
uniform vec3 u_turn_rad_per_s;
uniform vec3 u_lit_s;
uniform vec2 u_view_middle;
uniform vec2 u_view_scale;
uniform vec2 u_view_px;

out vec2 v_place;
out float v_gain;
out vec2 v_along;
out vec2 v_down;
out vec2 v_across;

ivec2 prewarp_texel(ivec2 node) {
    return node * ((u_nodes - 1) / u_cells);
}

vec2 prewarp_seen_px(ivec2 node) {
    ivec2 texel = prewarp_texel(node);
    vec4 red_green = texelFetch(t_nodes, u_plane == 2 ? texel + ivec2(0, u_nodes.y) : texel, 0);
    float since_s = u_lit_s.x + dot(u_lit_s.yz, vec2(node) / vec2(u_cells) * u_panel_px);
    vec2 seen = prewarp_turned_by(u_plane == 1 ? red_green.zw : red_green.xy, u_turn_rad_per_s * since_s);
    return u_view_middle + prewarp_plane_from_tangent(seen) * u_view_scale;
}

void main() {
    int columns = u_cells.x + 3;
    ivec2 ringed = ivec2(gl_VertexID % columns, gl_VertexID / columns) - 1;
    ivec2 node = clamp(ringed, ivec2(0), u_cells);
    v_gain = texelFetch(t_nodes, prewarp_texel(node) + ivec2(0, 2 * u_nodes.y), 0)[u_plane];
    // Differences about the node, or the next one inside of an edge: a parabola through three nodes either way.
    ivec2 centre = clamp(node, ivec2(1), u_cells - 1);
    vec2 middle = prewarp_seen_px(centre);
    vec2 left = prewarp_seen_px(centre - ivec2(1, 0));
    vec2 right = prewarp_seen_px(centre + ivec2(1, 0));
    vec2 above = prewarp_seen_px(centre - ivec2(0, 1));
    vec2 below = prewarp_seen_px(centre + ivec2(0, 1));
    vec2 along = right - 2.0 * middle + left;
    vec2 down = below - 2.0 * middle + above;
    vec2 across = 0.25 * (prewarp_seen_px(centre + ivec2(1, 1)) - prewarp_seen_px(centre + ivec2(1, -1))
                        - prewarp_seen_px(centre + ivec2(-1, 1)) + prewarp_seen_px(centre - ivec2(1, 1)));
    vec2 away = vec2(node - centre);
    mat2 steps = mat2(0.5 * (right - left) + along * away.x + across * away.y,
                      0.5 * (below - above) + down * away.y + across * away.x);
    vec2 pixel = prewarp_seen_px(node) + steps * vec2(ringed - node);
    vec2 snapped = floor(pixel * PREWARP_SUBPIXELS + 0.5) / PREWARP_SUBPIXELS;
    v_place = vec2(ringed);
    v_along = vec2(0.0);
    v_down = vec2(0.0);
    v_across = vec2(0.0);
    // Where nodes lie on one another there is nothing to be seen.
    if (abs(determinant(steps)) > 1e-6) {
        mat2 back = inverse(steps);
        v_place += back * (snapped - pixel);
        v_along = clamp(0.5 * (back * along), -PREWARP_MOST_BENT, PREWARP_MOST_BENT);
        v_down = clamp(0.5 * (back * down), -PREWARP_MOST_BENT, PREWARP_MOST_BENT);
        v_across = clamp(back * across, -PREWARP_MOST_BENT, PREWARP_MOST_BENT);
    }
    gl_Position = vec4(2.0 * snapped / u_view_px - 1.0, 0.0, 1.0);
}
