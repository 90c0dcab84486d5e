// Provides: prewarp_dithered(light_linear, panel_texel): light -> encoded values of whole codes, 0 to 1, by ordered dither.
// Needs: encoding.glsl; t_light, one row, light of every code; t_dither, square tile of thresholds in (0, 1).
// A pixel takes the upper of the two nearest codes where its share of the step, in light, exceeds the threshold.
// Python twin: prewarp.photometry.dither.Ditherer.

#include "encoding.glsl"

uniform sampler2D t_light;
uniform sampler2D t_dither;

float prewarp_level(int code) {
    return texelFetch(t_light, ivec2(code, 0), 0).r;
}

float prewarp_dithered_value(float light, float encoded, ivec2 texel) {
    int largest = textureSize(t_light, 0).x - 1;
    int code = int(floor(encoded * float(largest)));
    // The encoded value is rounded: the code whose light is just at or below the wanted one may be a neighbour.
    for (int step = 0; step < 4; step++) {
        if (code < largest && prewarp_level(code + 1) <= light) code++;
        if (code > 0 && prewarp_level(code) > light) code--;
    }
    float low = prewarp_level(code);
    float high = prewarp_level(min(code + 1, largest));
    float share = high > low ? (light - low) / (high - low) : 0.0;
    float threshold = texelFetch(t_dither, texel % textureSize(t_dither, 0), 0).r;
    return (float(code) + (share > threshold ? 1.0 : 0.0)) / float(largest);
}

vec3 prewarp_dithered(vec3 light_linear, ivec2 panel_texel) {
    vec3 light = clamp(light_linear, 0.0, 1.0);
    vec3 encoded = clamp(prewarp_encoded_from_linear(light), 0.0, 1.0);
    return vec3(
        prewarp_dithered_value(light.r, encoded.r, panel_texel),
        prewarp_dithered_value(light.g, encoded.g, panel_texel + ivec2(21, 43)),
        prewarp_dithered_value(light.b, encoded.b, panel_texel + ivec2(43, 21)));
}
