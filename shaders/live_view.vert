// View pass of the report's live page: node of a channel's mesh -> where green is seen from the true pupil, u_view_px, and which
// places of the panel are seen there in red, green and blue, v_red, v_green, v_blue, cells.
// t_nodes: from device_nodes.frag for the true pupil; u_nodes: its columns, rows. Vertex k is node k of (columns + 2) x
// (rows + 2), row by row: a ring of nodes lies around the panel, straight on. u_panel_px: width, height. u_turn_rad_per_s: turn
// of the head; u_lit_s: (c, a, b), a panel point (u, v) px is lit at c + a u + b v, s after the moment that the content was drawn
// for. u_view_middle, u_view_scale: view px = middle + plane * scale. v_gain: gains of a luminance match there, as seen from the
// true pupil; else 1. v_along, v_down, v_across: see bent_cell.glsl, cells.

// Drivers move vertices to a lattice of 1/16 px or finer (OpenGL ES 3.0, SUBPIXEL_BITS at least 4). Here they lie on it, and
// say the places on the panel that are seen there, so that no driver moves the picture. Red and blue are seen in another
// direction than green, by some tenths of a cell: their places are found to second order. In between they bend as green does.

#include "projection.glsl"
#include "turning.glsl"

#define PREWARP_SUBPIXELS 16.0
// Where the mesh nearly folds, second differences say little.
#define PREWARP_MOST_BENT 0.25

uniform sampler2D t_nodes;
uniform ivec2 u_nodes;
uniform vec2 u_panel_px;
uniform vec3 u_turn_rad_per_s;
uniform vec3 u_lit_s;
uniform vec2 u_view_middle;
uniform vec2 u_view_scale;
uniform vec2 u_view_px;

out vec2 v_red;
out vec2 v_green;
out vec2 v_blue;
out vec3 v_gain;
out vec2 v_along;
out vec2 v_down;
out vec2 v_across;

vec2 prewarp_view_px(ivec2 node, vec2 direction) {
    float since_s = u_lit_s.x + dot(u_lit_s.yz, vec2(node) / vec2(u_nodes - 1) * u_panel_px);
    vec2 seen = prewarp_turned_by(direction, u_turn_rad_per_s * since_s);
    return u_view_middle + prewarp_plane_from_tangent(seen) * u_view_scale;
}

// A colour about a node: where the node is seen, what comes from cell to cell along u and v there, second differences; px.
struct prewarp_Mesh {
    vec2 pixel;
    mat2 steps;
    vec2 along;
    vec2 down;
    vec2 across;
};

vec2 prewarp_seen_px(int plane, ivec2 node) {
    vec4 both = texelFetch(t_nodes, plane == 2 ? node + ivec2(0, u_nodes.y) : node, 0);
    return prewarp_view_px(node, plane == 1 ? both.zw : both.xy);
}

prewarp_Mesh prewarp_mesh_about(int plane, ivec2 node) {
    // Differences about the node, or the next one inside of an edge: a parabola through three nodes either way.
    ivec2 centre = clamp(node, ivec2(1), u_nodes - 2);
    vec2 middle = prewarp_seen_px(plane, centre);
    vec2 left = prewarp_seen_px(plane, centre - ivec2(1, 0));
    vec2 right = prewarp_seen_px(plane, centre + ivec2(1, 0));
    vec2 above = prewarp_seen_px(plane, centre - ivec2(0, 1));
    vec2 below = prewarp_seen_px(plane, centre + ivec2(0, 1));
    prewarp_Mesh mesh;
    mesh.pixel = prewarp_seen_px(plane, node);
    mesh.along = right - 2.0 * middle + left;
    mesh.down = below - 2.0 * middle + above;
    mesh.across = 0.25 * (prewarp_seen_px(plane, centre + ivec2(1, 1)) - prewarp_seen_px(plane, centre + ivec2(1, -1))
                        - prewarp_seen_px(plane, centre + ivec2(-1, 1)) + prewarp_seen_px(plane, centre - ivec2(1, 1)));
    vec2 inward = vec2(node - centre);
    mesh.steps = mat2(0.5 * (right - left) + mesh.along * inward.x + mesh.across * inward.y,
                      0.5 * (below - above) + mesh.down * inward.y + mesh.across * inward.x);
    return mesh;
}

// The place that is seen at a view px, cells from the node; outward: the corner of the ring about which it lies.
vec2 prewarp_cells(prewarp_Mesh mesh, vec2 outward, vec2 seen) {
    // Where nodes lie on one another there is nothing to be seen.
    if (abs(determinant(mesh.steps)) < 1e-6) {
        return outward;
    }
    mat2 back = inverse(mesh.steps);
    vec2 first = back * (seen - mesh.pixel) - outward;
    vec2 bent = 0.5 * (mesh.along * (first.x * first.x) + mesh.down * (first.y * first.y)) + mesh.across * (first.x * first.y);
    return outward + first - back * bent;
}

void main() {
    ivec2 ringed = ivec2(gl_VertexID % (u_nodes.x + 2), gl_VertexID / (u_nodes.x + 2)) - 1;
    ivec2 node = clamp(ringed, ivec2(0), u_nodes - 1);
    vec2 outward = vec2(ringed - node);
    prewarp_Mesh red = prewarp_mesh_about(0, node);
    prewarp_Mesh green = prewarp_mesh_about(1, node);
    prewarp_Mesh blue = prewarp_mesh_about(2, node);
    vec2 snapped = floor((green.pixel + green.steps * outward) * PREWARP_SUBPIXELS + 0.5) / PREWARP_SUBPIXELS;
    v_red = vec2(node) + prewarp_cells(red, outward, snapped);
    v_green = vec2(node) + prewarp_cells(green, outward, snapped);
    v_blue = vec2(node) + prewarp_cells(blue, outward, snapped);
    v_gain = texelFetch(t_nodes, node + ivec2(0, 2 * u_nodes.y), 0).rgb;
    v_along = vec2(0.0);
    v_down = vec2(0.0);
    v_across = vec2(0.0);
    if (abs(determinant(green.steps)) > 1e-6) {
        mat2 back = inverse(green.steps);
        v_along = clamp(0.5 * (back * green.along), -PREWARP_MOST_BENT, PREWARP_MOST_BENT);
        v_down = clamp(0.5 * (back * green.down), -PREWARP_MOST_BENT, PREWARP_MOST_BENT);
        v_across = clamp(back * green.across, -PREWARP_MOST_BENT, PREWARP_MOST_BENT);
    }
    gl_Position = vec4(2.0 * snapped / u_view_px - 1.0, 0.0, 1.0);
}
