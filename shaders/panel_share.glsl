// Provides: prewarp_shares: share of light of this channel, 0 to 1, in directions of content points of red, green, blue, px;
// prewarp_shares_shown: of the content there, 0 beyond it. t_shares lies over the content picture, filtered, for one pupil.
// PREWARP_SHARED 0: one channel; 1: two: t_shares holds claims of both, then degrees inside what each shows; 2: up to four,
// their claims, and t_depths their degrees. PREWARP_OWN: this channel; PREWARP_CLAIMS as PREWARP_SHARED. All panels read the
// same texels, so that shares add up to 1. Where no channel reaches, depths gain PREWARP_SLIVER_DEG: borders are no surer.
// Where prewarp_alone is above 0 nothing is looked up. PREWARP_PASSED 1: v_alone is it, between nodes; PREWARP_ALONE 1: drawn
// nowhere else. Python twin: prewarp.seam.blend.shown_weights.

#include "content_size.glsl"

#ifndef PREWARP_SHARED
#define PREWARP_SHARED 0
#endif
#ifndef PREWARP_OWN
#define PREWARP_OWN 0
#endif
#ifndef PREWARP_PASSED
#define PREWARP_PASSED 0
#endif
#ifndef PREWARP_ALONE
#define PREWARP_ALONE 0
#endif
// Where above 0, t_shares has so many texels, which are read one by one as a filter would.
#ifndef PREWARP_SHARE_COLUMNS
#define PREWARP_SHARE_COLUMNS 0
#endif
#ifndef PREWARP_SHARE_ROWS
#define PREWARP_SHARE_ROWS 0
#endif
#define PREWARP_SLIVER_DEG 0.02

#if PREWARP_SHARED > 0
#include "shown_weight.glsl"

// Between 1, where no other is lit, and what is left where others are lit too, with claims of 0.002.
#define PREWARP_SHARE_ALONE 0.999

#if PREWARP_ALONE == 1
vec3 prewarp_shares(vec2 red, vec2 green, vec2 blue) {
    return vec3(PREWARP_SHARE_ALONE);
}

vec3 prewarp_shares_shown(vec2 red, vec2 green, vec2 blue) {
    return vec3(PREWARP_SHARE_ALONE);
}
#else
#if PREWARP_PASSED == 1
in float v_alone;
#else
#include "alone.glsl"
#endif
uniform sampler2D t_shares;
#if PREWARP_SHARED == 2
uniform sampler2D t_depths;
#endif

vec4 prewarp_share_texel(sampler2D shares, vec2 place) {
#if PREWARP_SHARE_COLUMNS > 0
    vec2 size = vec2(PREWARP_SHARE_COLUMNS, PREWARP_SHARE_ROWS);
    return prewarp_sample_edge_of(shares, size, place * size);
#else
    return textureLod(shares, place, 0.0);
#endif
}

float prewarp_share(vec2 content_px) {
    vec2 place = content_px / u_content_px;
#if PREWARP_SHARED == 2
    vec4 claims[PREWARP_CLAIMS];
    vec4 claim = prewarp_share_texel(t_shares, place);
    vec4 depth = prewarp_share_texel(t_depths, place);
    depth += max(max(depth.x, depth.y), max(depth.z, depth.w)) > 0.0 ? 0.0 : PREWARP_SLIVER_DEG;
    claims[0] = vec4(claim[PREWARP_OWN], depth[PREWARP_OWN], claim[(PREWARP_OWN + 1) % 4], depth[(PREWARP_OWN + 1) % 4]);
    claims[1] = vec4(claim[(PREWARP_OWN + 2) % 4], depth[(PREWARP_OWN + 2) % 4],
                     claim[(PREWARP_OWN + 3) % 4], depth[(PREWARP_OWN + 3) % 4]);
    return prewarp_shown_weight(claims);
#else
    vec4 both = prewarp_share_texel(t_shares, place);
    both.zw += max(both.z, both.w) > 0.0 ? 0.0 : PREWARP_SLIVER_DEG;
    float own = prewarp_claim(vec2(both[PREWARP_OWN], both[PREWARP_OWN + 2]));
    float other = prewarp_claim(vec2(both[1 - PREWARP_OWN], both[3 - PREWARP_OWN]));
    return prewarp_weight_of(own, own + other, max(both.z, both.w));
#endif
}

bool prewarp_is_alone(vec2 red, vec2 green, vec2 blue) {
#if PREWARP_PASSED == 1
    return v_alone > 0.0;
#else
    return prewarp_alone(red, green, blue) > 0.0;
#endif
}

vec3 prewarp_each_share(vec2 red, vec2 green, vec2 blue) {
    return vec3(prewarp_share(red), prewarp_share(green), prewarp_share(blue));
}

vec3 prewarp_shares(vec2 red, vec2 green, vec2 blue) {
    return prewarp_is_alone(red, green, blue) ? vec3(PREWARP_SHARE_ALONE) : prewarp_each_share(red, green, blue);
}

vec3 prewarp_shares_shown(vec2 red, vec2 green, vec2 blue) {
    if (prewarp_is_alone(red, green, blue)) {
        return vec3(PREWARP_SHARE_ALONE);
    }
    return prewarp_each_share(red, green, blue) * prewarp_on_content(red, green, blue);
}
#endif
#else
vec3 prewarp_shares(vec2 red, vec2 green, vec2 blue) {
    return vec3(1.0);
}

vec3 prewarp_shares_shown(vec2 red, vec2 green, vec2 blue) {
    return prewarp_on_content(red, green, blue);
}
#endif
