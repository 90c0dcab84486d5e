// Provides: prewarp_turned: direction of a panel point -> that direction in the head pose that the content was drawn for.
// Needs: u_lit_s: (c, a, b), a panel point (u, v) px is lit at c + a u + b v, s after the frame's start. Block PrewarpHead: turn
// of the head, rad/s about x (downward), y (to the right), z (what is on the right goes up), and the time drawn for, s.
// direction: tangents. Series of sine and cosine: good to 1e-6 rad for turns up to 20 degrees. A rate of 0 changes no bit.
// Python twin: prewarp.frames.turned_tangent and prewarp.head.HeadTurn.

layout(std140) uniform PrewarpHead {
    vec4 u_head;
};
uniform vec3 u_lit_s;

vec2 prewarp_turned(vec2 direction, vec2 panel_px) {
    vec3 turn = u_head.xyz * (u_lit_s.x + dot(u_lit_s.yz, panel_px) - u_head.w);
    float squared = dot(turn, turn);
    if (squared == 0.0) {
        return direction;
    }
    vec3 s = vec3(direction, 1.0);
    float first = 1.0 - squared * (1.0 / 6.0 - squared * (1.0 / 120.0 - squared * (1.0 / 5040.0)));
    float second = 0.5 - squared * (1.0 / 24.0 - squared * (1.0 / 720.0 - squared * (1.0 / 40320.0)));
    vec3 moved = (1.0 - squared * second) * s + first * cross(turn, s) + second * dot(turn, s) * turn;
    return moved.xy / moved.z;
}
