// Provides: prewarp_turned_by: a direction turned by a rotation vector, radians, no longer than 20 degrees.
// direction: tangents. About x directions turn downward, about y to the right; about z what is on the right goes up.
// Rodrigues' formula, sine and cosine by their series: good to 1e-6 rad. A turn of 0 changes no bit.
// Python twin: prewarp.frames.turned_tangent.

vec2 prewarp_turned_by(vec2 direction, vec3 turn) {
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
