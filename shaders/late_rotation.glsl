// Provides: prewarp_turned: direction of a panel point -> that direction in the head pose of another time, since_s.
// Needs: turning.glsl; u_lit_s: (c, a, b), a panel point (u, v) px is lit at c + a u + b v, s after the frame's start. Block
// PrewarpHead, once a frame: turn of the head, rad/s about x (downward), y (to the right), z (what is on the right goes up),
// and the time that the content was drawn for, s after the frame's start.
// Python twin: prewarp.head.HeadTurn.

#include "turning.glsl"

layout(std140) uniform PrewarpHead {
    vec4 u_head;
};
uniform vec3 u_lit_s;

vec2 prewarp_turned(vec2 direction, vec2 panel_px, float since_s) {
    return prewarp_turned_by(direction, u_head.xyz * (u_lit_s.x + dot(u_lit_s.yz, panel_px) - since_s));
}
