// Provides: prewarp_panel_codes: content point and drive of red, green, blue -> encoded values of whole panel codes, 0 to 1.
// Needs: t_content_linear: content in linear light, texture row 0 its top row, read texel by texel; black outside.
// red, green, blue: content u, v, px, and drive of white, a share of linear light. panel_texel: whole panel px.
// PREWARP_MIXED 1: u_mixing, rows of the white match as columns. PREWARP_DITHERED 1: dither.glsl; else rounded, u_largest_code.
// Python twin: prewarp.render.cpu.panel_picture.

#include "sampling.glsl"
#include "encoding.glsl"

#ifndef PREWARP_MIXED
#define PREWARP_MIXED 0
#endif
#ifndef PREWARP_DITHERED
#define PREWARP_DITHERED 0
#endif

#if PREWARP_DITHERED == 1
#include "dither.glsl"
#else
uniform float u_largest_code;
#endif

uniform sampler2D t_content_linear;
#if PREWARP_MIXED == 1
uniform mat3 u_mixing;
#endif

vec3 prewarp_wanted(vec3 shown) {
    vec3 light_linear = prewarp_sample_black(t_content_linear, shown.xy).rgb;
#if PREWARP_MIXED == 1
    light_linear = light_linear * u_mixing;
#endif
    return light_linear * clamp(shown.z, 0.0, 1.0);
}

vec3 prewarp_panel_codes(vec3 red, vec3 green, vec3 blue, ivec2 panel_texel) {
    vec3 light_linear = vec3(prewarp_wanted(red).r, prewarp_wanted(green).g, prewarp_wanted(blue).b);
#if PREWARP_DITHERED == 1
    return prewarp_dithered(light_linear, panel_texel);
#else
    return prewarp_quantised(prewarp_encoded_from_linear(light_linear), u_largest_code);
#endif
}
