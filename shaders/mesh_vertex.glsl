// Provides: prewarp_mesh_vertex: node of a panel's mesh -> its place on the panel, and content point and gain per colour.
// panel_px: node, panel px. red, green, blue: directions it is seen in, tangents. gain: on linear light, 0 to 1.
// u_panel_px: width and height. PREWARP_ROWS_UP: see panel_place.glsl. PREWARP_PASSED 1: v_alone, see panel_share.glsl.
// PREWARP_BENT 1: see device_mesh.frag; whoever calls fills v_node, v_along, v_down and v_across.

#include "content_place.glsl"

#ifndef PREWARP_ROWS_UP
#define PREWARP_ROWS_UP 0
#endif
#ifndef PREWARP_BENT
#define PREWARP_BENT 0
#endif
#ifndef PREWARP_PASSED
#define PREWARP_PASSED 0
#endif
#if PREWARP_PASSED == 1
#include "alone.glsl"
out float v_alone;
#endif

uniform vec2 u_panel_px;

out vec3 v_red;
out vec3 v_green;
out vec3 v_blue;
#if PREWARP_LATE == 1
out vec2 v_weighed_red;
out vec2 v_weighed_green;
out vec2 v_weighed_blue;
#endif
#if PREWARP_BENT == 1
out vec2 v_node;
out vec2 v_along;
out vec2 v_down;
out vec2 v_across;
#endif

void prewarp_mesh_vertex(vec2 panel_px, vec2 red, vec2 green, vec2 blue, vec3 gain) {
#if PREWARP_LATE == 1
    v_red = vec3(prewarp_in_pose(red, panel_px, u_head.w), gain.r);
    v_green = vec3(prewarp_in_pose(green, panel_px, u_head.w), gain.g);
    v_blue = vec3(prewarp_in_pose(blue, panel_px, u_head.w), gain.b);
    v_weighed_red = prewarp_in_pose(red, panel_px, u_weights_for_s);
    v_weighed_green = prewarp_in_pose(green, panel_px, u_weights_for_s);
    v_weighed_blue = prewarp_in_pose(blue, panel_px, u_weights_for_s);
#else
    v_red = vec3(prewarp_content_px(red), gain.r);
    v_green = vec3(prewarp_content_px(green), gain.g);
    v_blue = vec3(prewarp_content_px(blue), gain.b);
#endif
#if PREWARP_PASSED == 1
#if PREWARP_LATE == 1
    v_alone = prewarp_alone(v_weighed_red, v_weighed_green, v_weighed_blue);
#else
    v_alone = prewarp_alone(v_red.xy, v_green.xy, v_blue.xy);
#endif
#endif
    vec2 place = 2.0 * panel_px / u_panel_px - 1.0;
#if PREWARP_ROWS_UP == 1
    place.y = -place.y;
#endif
    gl_Position = vec4(place, 0.0, 1.0);
}
