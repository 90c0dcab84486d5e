// Provides: prewarp_turn_order: a number from 0 to 4 that rises with the angle of a place about 0 from that of `first`, counter-
// clockwise, without trigonometry. Python twin: prewarp.lookup.device_light.turning, whose angles begin at the x axis.

float prewarp_turn_order(vec2 first, vec2 place) {
    vec2 turned = vec2(dot(first, place), first.x * place.y - first.y * place.x);
    float size = abs(turned.x) + abs(turned.y);
    float share = size > 0.0 ? turned.y / size : 0.0;
    return turned.x < 0.0 ? 2.0 - share : turned.y < 0.0 ? 4.0 + share : share;
}
