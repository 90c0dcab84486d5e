// Vertex-mesh path, vertex stage: node -> its place on the panel, and content point and drive per colour.
// in_panel_px: node, panel px. in_direction_*: direction it is seen in, tangents. in_weight_*: drive of white, 0 to 1.
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
// Late rotation: content is that of the direction in the pose drawn for; weights come as they are.
#include "late_rotation.glsl"
#endif

in vec2 in_panel_px;
in vec2 in_direction_red;
in vec2 in_direction_green;
in vec2 in_direction_blue;
in float in_weight_red;
in float in_weight_green;
in float in_weight_blue;

uniform vec2 u_panel_px;
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;

out vec3 v_red;
out vec3 v_green;
out vec3 v_blue;

vec3 prewarp_shown(vec2 direction, float weight) {
#if PREWARP_LATE == 1
    direction = prewarp_turned(direction, in_panel_px, u_head.w);
#endif
    return vec3(u_content_middle + prewarp_plane_from_tangent(direction) * u_content_scale, weight);
}

void main() {
    v_red = prewarp_shown(in_direction_red, in_weight_red);
    v_green = prewarp_shown(in_direction_green, in_weight_green);
    v_blue = prewarp_shown(in_direction_blue, in_weight_blue);
    vec2 place = 2.0 * in_panel_px / u_panel_px - 1.0;
#if PREWARP_ROWS_UP == 1
    place.y = -place.y;
#endif
    gl_Position = vec4(place, 0.0, 1.0);
}
