// Provides: prewarp_false_colour: 0 to 1 -> linear light, dark blue, teal, yellow, red; lightness rises up to yellow.
// Values beyond 1 stay at the last colour. Python twin: prewarp.preview.legend.false_colour.

vec3 prewarp_false_colour(float share) {
    float place = clamp(share, 0.0, 1.0) * 3.0;
    vec3 first = vec3(0.010, 0.016, 0.125);
    vec3 second = vec3(0.012, 0.242, 0.275);
    vec3 third = vec3(0.807, 0.604, 0.041);
    vec3 fourth = vec3(0.768, 0.027, 0.019);
    return place < 1.0 ? mix(first, second, place)
         : place < 2.0 ? mix(second, third, place - 1.0)
                       : mix(third, fourth, place - 2.0);
}
