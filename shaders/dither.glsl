// Provides: prewarp_dithered(light_linear, panel_texel): light -> encoded values of whole codes, 0 to 1, by ordered dither.
// Needs: encoding.glsl; u_largest_code; t_dither, square tile of thresholds of red, green, blue, 8 bits, PREWARP_TILE a side, a
// power of two; for PREWARP_ENCODING 2 t_light, one row, light of every code.
// A pixel takes the upper of the two nearest codes where its share of the step, in light, exceeds the threshold.
// Python twin: prewarp.photometry.dither.Ditherer.

#include "encoding.glsl"

#ifndef PREWARP_TILE
#define PREWARP_TILE 64
#endif

uniform float u_largest_code;
uniform sampler2D t_dither;
#if PREWARP_ENCODING == 2
uniform sampler2D t_light;

vec3 prewarp_light_of_codes(vec3 code) {
    ivec3 place = ivec3(code);
    return vec3(
        texelFetch(t_light, ivec2(place.r, 0), 0).r,
        texelFetch(t_light, ivec2(place.g, 0), 0).r,
        texelFetch(t_light, ivec2(place.b, 0), 0).r);
}
#elif PREWARP_ENCODING == 1
vec3 prewarp_light_of_codes(vec3 code) {
    return prewarp_linear_from_encoded(code / u_largest_code);
}
#endif

vec3 prewarp_thresholds(ivec2 panel_texel) {
    return texelFetch(t_dither, panel_texel & ivec2(PREWARP_TILE - 1), 0).rgb * (255.0 / 256.0) + 0.5 / 256.0;
}

#if PREWARP_ENCODING == 0
// Within a step light is a parabola: its share t is reached 0.7 t (1 - t) / (code + 0.5 + 0.055 largest) behind the place t of
// the way, to 1e-4 of a step; in the curve's straight part at once. So the code is the whole part of place + 1 less both.
vec3 prewarp_dithered(vec3 light_linear, ivec2 panel_texel) {
    vec3 threshold = prewarp_thresholds(panel_texel);
    vec3 above = prewarp_places_from_linear(light_linear, u_largest_code, 1.0) - threshold;
    vec3 bend = (threshold - threshold * threshold) / (above * (1.0 / 0.7) + (0.055 * u_largest_code - 0.5) / 0.7);
    bend = mix(vec3(0.0), bend, vec3(greaterThan(above, vec3(0.04045 * u_largest_code + 0.5))));
    return floor(above - bend) * (1.0 / u_largest_code);
}
#else
// Whether light is further along the step from a code to the next than a threshold; part: how far encoded values are.
bvec3 prewarp_past(vec3 light, vec3 code, vec3 part, vec3 threshold) {
#if PREWARP_ENCODING == 1
    // The same parabola, bent by (gamma - 1) / (code + 0.5); not near black, where that is much.
    if (min(min(code.r, code.g), code.b) > 4.0 * u_gamma) {
        return greaterThan((code + 0.5) * (part - threshold), 0.5 * (u_gamma - 1.0) * part * (1.0 - part));
    }
#endif
    vec3 low = prewarp_light_of_codes(code);
    vec3 high = prewarp_light_of_codes(min(code + 1.0, u_largest_code));
    // A step of no height is never past, nor is the last code.
    return greaterThan(min(light, high) - low, threshold * (high - low));
}

vec3 prewarp_dithered(vec3 light_linear, ivec2 panel_texel) {
    vec3 light = clamp(light_linear, 0.0, 1.0);
    vec3 place = clamp(prewarp_encoded_from_linear(light), 0.0, 1.0) * u_largest_code;
    // Rounding leaves the code one off only where light is at the very end, or beginning, of a step.
    vec3 code = floor(place);
    vec3 more = vec3(prewarp_past(light, code, place - code, prewarp_thresholds(panel_texel)));
    return (code + more) * (1.0 / u_largest_code);
}
#endif
