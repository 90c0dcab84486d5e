// Provides: pw_panel_codes: content point and drive of red, green, blue -> encoded values of whole panel codes, 0 to 1.
// Needs: t_content_linear: content in linear light, texture row 0 its top row, read texel by texel; black outside.
// red, green, blue: content u, v, px, and drive of white, a share of linear light. panel_texel: whole panel px.
// PW_MIXED 1: u_mixing, rows of the white match as columns. PW_DITHERED 1: by dither.glsl; else rounded, u_largest_code.
// Python twin: prewarp.render.cpu.panel_picture.

#include "sampling.glsl"
#include "encoding.glsl"

#ifndef PW_MIXED
#define PW_MIXED 0
#endif
#ifndef PW_DITHERED
#define PW_DITHERED 0
#endif

#if PW_DITHERED == 1
#include "dither.glsl"
#else
uniform float u_largest_code;
#endif

uniform sampler2D t_content_linear;
#if PW_MIXED == 1
uniform mat3 u_mixing;
#endif

vec3 pw_wanted(vec3 shown) {
    vec3 light_linear = pw_sample_black(t_content_linear, shown.xy).rgb;
#if PW_MIXED == 1
    light_linear = light_linear * u_mixing;
#endif
    return light_linear * clamp(shown.z, 0.0, 1.0);
}

vec3 pw_panel_codes(vec3 red, vec3 green, vec3 blue, ivec2 panel_texel) {
    vec3 light_linear = vec3(pw_wanted(red).r, pw_wanted(green).g, pw_wanted(blue).b);
#if PW_DITHERED == 1
    return pw_dithered(light_linear, panel_texel);
#else
    return pw_quantised(pw_encoded_from_linear(light_linear), u_largest_code);
#endif
}
