// Vertex-mesh path, vertex stage: node -> its place on the panel, and content point and gain per colour.
// in_panel_px: node, panel px. in_direction_*: direction it is seen in, tangents. in_gain_*: gain on linear light, 0 to 1.
// u_panel_px: width and height. Content px = u_content_middle + plane * u_content_scale (projection.glsl).
// PREWARP_ROWS_UP: see panel_place.glsl.

#include "projection.glsl"

#ifndef PREWARP_ROWS_UP
#define PREWARP_ROWS_UP 0
#endif
#ifndef PREWARP_LATE
#define PREWARP_LATE 0
#endif
#if PREWARP_LATE == 1
// Late rotation: content is that of the direction in the pose drawn for; shares of light those of the direction in the pose
// at u_weights_for_s, s after the frame's start, one time for all panels: so they add up to 1 where content is seen.
#include "late_rotation.glsl"
uniform float u_weights_for_s;
#endif

in vec2 in_panel_px;
in vec2 in_direction_red;
in vec2 in_direction_green;
in vec2 in_direction_blue;
in float in_gain_red;
in float in_gain_green;
in float in_gain_blue;

uniform vec2 u_panel_px;
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;

out vec3 v_red;
out vec3 v_green;
out vec3 v_blue;
#if PREWARP_LATE == 1
out vec2 v_weighed_red;
out vec2 v_weighed_green;
out vec2 v_weighed_blue;
#endif

vec2 prewarp_content_px(vec2 direction) {
    return u_content_middle + prewarp_plane_from_tangent(direction) * u_content_scale;
}

#if PREWARP_LATE == 1
vec2 prewarp_in_pose(vec2 direction, float since_s) {
    return prewarp_content_px(prewarp_turned(direction, in_panel_px, since_s));
}
#endif

void main() {
#if PREWARP_LATE == 1
    v_red = vec3(prewarp_in_pose(in_direction_red, u_head.w), in_gain_red);
    v_green = vec3(prewarp_in_pose(in_direction_green, u_head.w), in_gain_green);
    v_blue = vec3(prewarp_in_pose(in_direction_blue, u_head.w), in_gain_blue);
    v_weighed_red = prewarp_in_pose(in_direction_red, u_weights_for_s);
    v_weighed_green = prewarp_in_pose(in_direction_green, u_weights_for_s);
    v_weighed_blue = prewarp_in_pose(in_direction_blue, u_weights_for_s);
#else
    v_red = vec3(prewarp_content_px(in_direction_red), in_gain_red);
    v_green = vec3(prewarp_content_px(in_direction_green), in_gain_green);
    v_blue = vec3(prewarp_content_px(in_direction_blue), in_gain_blue);
#endif
    vec2 place = 2.0 * in_panel_px / u_panel_px - 1.0;
#if PREWARP_ROWS_UP == 1
    place.y = -place.y;
#endif
    gl_Position = vec4(place, 0.0, 1.0);
}
