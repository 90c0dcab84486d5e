// Provides: prewarp_false_colour: 0 to 1 -> linear light, from dark blue to yellow, lighter all the way (cividis).
// Values beyond 1 stay at the last colour. Python twin: prewarp.preview.legend.false_colour.

const vec3 prewarp_false_colours[11] = vec3[11](
    vec3(0.000, 0.016, 0.076),
    vec3(0.002, 0.033, 0.163),
    vec3(0.036, 0.060, 0.151),
    vec3(0.078, 0.095, 0.151),
    vec3(0.134, 0.141, 0.163),
    vec3(0.204, 0.201, 0.188),
    vec3(0.298, 0.272, 0.186),
    vec3(0.425, 0.366, 0.166),
    vec3(0.580, 0.478, 0.133),
    vec3(0.781, 0.623, 0.084),
    vec3(0.990, 0.806, 0.039)
);

vec3 prewarp_false_colour(float share) {
    float place = clamp(share, 0.0, 1.0) * 10.0;
    int step = min(int(place), 9);
    return mix(prewarp_false_colours[step], prewarp_false_colours[step + 1], place - float(step));
}
