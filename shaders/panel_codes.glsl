// Provides: prewarp_panel_codes: content point and gain of red, green, blue -> encoded values of whole panel codes, 0 to 1.
// Needs: content, texture row 0 its top row. PREWARP_FILTERED 0: t_content_linear, in linear light, read texel by
// texel; 1: t_content, which its sampler gives in linear light, filtered linearly, the rim repeated.
// red, green, blue: content u, v, px, and gain on linear light. share: of light, of each colour, 0 beyond the content
// (prewarp_on_content). panel_texel: whole panel px.
// PREWARP_MIXED 1: u_mixing, rows of the white match as columns. PREWARP_DITHERED 1: dither.glsl; else rounded, u_largest_code.
// Python twin: prewarp.render.cpu.panel_picture.

#include "content_size.glsl"
#include "sampling.glsl"
#include "encoding.glsl"

#ifndef PREWARP_FILTERED
#define PREWARP_FILTERED 0
#endif
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

#if PREWARP_FILTERED == 1
uniform sampler2D t_content;
#else
uniform sampler2D t_content_linear;
#endif
#if PREWARP_MIXED == 1
uniform mat3 u_mixing;
#endif

vec3 prewarp_content_light(vec2 content_px) {
#if PREWARP_FILTERED == 1
    return texture(t_content, content_px / u_content_px).rgb;
#else
    return prewarp_sample_edge_of(t_content_linear, u_content_px, content_px).rgb;
#endif
}

vec3 prewarp_wanted(vec3 shown, float share) {
    vec3 light_linear = prewarp_content_light(shown.xy);
#if PREWARP_MIXED == 1
    light_linear = light_linear * u_mixing;
#endif
    return light_linear * clamp(shown.z * share, 0.0, 1.0);
}

vec3 prewarp_panel_codes(vec3 red, vec3 green, vec3 blue, vec3 share, ivec2 panel_texel) {
    vec3 light_linear =
        vec3(prewarp_wanted(red, share.r).r, prewarp_wanted(green, share.g).g, prewarp_wanted(blue, share.b).b);
#if PREWARP_DITHERED == 1
    return prewarp_dithered(light_linear, panel_texel);
#else
    return floor(prewarp_places_from_linear(light_linear, u_largest_code, 0.5)) * (1.0 / u_largest_code);
#endif
}
