// Decode pass: panel codes -> linear light, once per panel picture, so that the view pass samples light.
// t_panel_encoded: panel picture, 0 to 1. t_light: one row, light of every code. The target has the panel's size.
// PREWARP_MEAN: px each way whose mean is taken, for a smaller target; then u_texels, panel px per target px.
// PREWARP_PLANES 1: three targets of one number a texel: red, green, blue.

#ifndef PREWARP_MEAN
#define PREWARP_MEAN 1
#endif
#ifndef PREWARP_PLANES
#define PREWARP_PLANES 0
#endif

uniform sampler2D t_panel_encoded;
uniform sampler2D t_light;
#if PREWARP_MEAN > 1
uniform vec2 u_texels;
#endif

#if PREWARP_PLANES == 1
layout(location = 0) out float out_red;
layout(location = 1) out float out_green;
layout(location = 2) out float out_blue;
#else
out vec4 out_linear;
#endif

float prewarp_light_of(float value_encoded) {
    int largest = textureSize(t_light, 0).x - 1;
    return texelFetch(t_light, ivec2(int(floor(value_encoded * float(largest) + 0.5)), 0), 0).r;
}

vec3 prewarp_light_at(ivec2 texel) {
    vec3 value_encoded = texelFetch(t_panel_encoded, texel, 0).rgb;
    return vec3(prewarp_light_of(value_encoded.r), prewarp_light_of(value_encoded.g), prewarp_light_of(value_encoded.b));
}

void main() {
#if PREWARP_PLANES == 1
    vec3 light_linear = prewarp_light_at(ivec2(gl_FragCoord.xy));
    out_red = light_linear.r;
    out_green = light_linear.g;
    out_blue = light_linear.b;
#elif PREWARP_MEAN > 1
    ivec2 first = ivec2((gl_FragCoord.xy - 0.5) * u_texels + 0.01);
    vec3 sum_linear = vec3(0.0);
    for (int j = 0; j < PREWARP_MEAN; ++j) {
        for (int i = 0; i < PREWARP_MEAN; ++i) {
            sum_linear += prewarp_light_at(first + ivec2(i, j));
        }
    }
    out_linear = vec4(sum_linear / float(PREWARP_MEAN * PREWARP_MEAN), 1.0);
#else
    out_linear = vec4(prewarp_light_at(ivec2(gl_FragCoord.xy)), 1.0);
#endif
}
