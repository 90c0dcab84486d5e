// Provides: prewarp_content_px: content point of a direction, tangents: u_content_middle + plane * u_content_scale, px.

#include "projection.glsl"

#ifndef PREWARP_LATE
#define PREWARP_LATE 0
#endif
#if PREWARP_LATE == 1
// Late rotation: content is that of the direction in the pose drawn for; shares of light those of the direction in the pose
// at u_weights_for_s, s after the frame's start, one time for all panels: so they add up to 1 where content is seen.
// prewarp_in_pose: content point of the direction in which a panel point is seen, in the head pose of another time.
#include "late_rotation.glsl"
uniform float u_weights_for_s;
#endif

uniform vec2 u_content_middle;
uniform vec2 u_content_scale;

vec2 prewarp_content_px(vec2 direction) {
    return u_content_middle + prewarp_plane_from_tangent(direction) * u_content_scale;
}

#if PREWARP_LATE == 1
vec2 prewarp_in_pose(vec2 direction, vec2 panel_px, float since_s) {
    return prewarp_content_px(prewarp_turned(direction, panel_px, since_s));
}
#endif
