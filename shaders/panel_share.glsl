// Provides: prewarp_shares: share of light of this channel, 0 to 1, in directions of content points of red, green, blue, px;
// prewarp_shares_shown: of the content there, 0 beyond it. t_shares lies over the content picture, filtered, for one pupil.
// PREWARP_SHARED 0: one channel; 1: two: t_shares holds claims of both, then degrees inside what each shows; 2: up to four,
// their claims, and t_depths their degrees. PREWARP_OWN: this channel; PREWARP_CLAIMS as PREWARP_SHARED. All panels read the
// same texels, so that shares add up to 1. Where no channel reaches, depths gain PREWARP_SLIVER_DEG: borders are no surer.
// u_alone_middle, u_alone_half, content px: a rectangle in which this channel is lit from everywhere and all but alone.
// Python twin: prewarp.seam.blend.shown_weights.

#include "content_size.glsl"

#ifndef PREWARP_SHARED
#define PREWARP_SHARED 0
#endif
#ifndef PREWARP_OWN
#define PREWARP_OWN 0
#endif
#define PREWARP_SLIVER_DEG 0.02

#if PREWARP_SHARED > 0
#include "shown_weight.glsl"

// Between 1, where no other is lit, and what is left where others are lit too, with claims of 0.002.
#define PREWARP_SHARE_ALONE 0.999

uniform vec2 u_alone_middle;
uniform vec2 u_alone_half;
uniform sampler2D t_shares;
#if PREWARP_SHARED == 2
uniform sampler2D t_depths;
#endif

float prewarp_share(vec2 content_px) {
    vec4 claims[PREWARP_CLAIMS];
    vec2 place = content_px / u_content_px;
#if PREWARP_SHARED == 2
    vec4 claim = textureLod(t_shares, place, 0.0);
    vec4 depth = textureLod(t_depths, place, 0.0);
    depth += max(max(depth.x, depth.y), max(depth.z, depth.w)) > 0.0 ? 0.0 : PREWARP_SLIVER_DEG;
    claims[0] = vec4(claim[PREWARP_OWN], depth[PREWARP_OWN], claim[(PREWARP_OWN + 1) % 4], depth[(PREWARP_OWN + 1) % 4]);
    claims[1] = vec4(claim[(PREWARP_OWN + 2) % 4], depth[(PREWARP_OWN + 2) % 4],
                     claim[(PREWARP_OWN + 3) % 4], depth[(PREWARP_OWN + 3) % 4]);
#else
    vec4 both = textureLod(t_shares, place, 0.0);
    both.zw += max(both.z, both.w) > 0.0 ? 0.0 : PREWARP_SLIVER_DEG;
    claims[0] = vec4(both[PREWARP_OWN], both[PREWARP_OWN + 2], both[1 - PREWARP_OWN], both[3 - PREWARP_OWN]);
#endif
    return prewarp_shown_weight(claims);
}

bool prewarp_alone(vec2 red, vec2 green, vec2 blue) {
    vec2 aside = max(abs(red - u_alone_middle), abs(green - u_alone_middle));
    aside = max(aside, abs(blue - u_alone_middle)) - u_alone_half;
    return max(aside.x, aside.y) < 0.0;
}

vec3 prewarp_each_share(vec2 red, vec2 green, vec2 blue) {
    return vec3(prewarp_share(red), prewarp_share(green), prewarp_share(blue));
}

vec3 prewarp_shares(vec2 red, vec2 green, vec2 blue) {
    return prewarp_alone(red, green, blue) ? vec3(PREWARP_SHARE_ALONE) : prewarp_each_share(red, green, blue);
}

vec3 prewarp_shares_shown(vec2 red, vec2 green, vec2 blue) {
    if (prewarp_alone(red, green, blue)) {
        return vec3(PREWARP_SHARE_ALONE);
    }
    return prewarp_each_share(red, green, blue) * prewarp_on_content(red, green, blue);
}
#else
vec3 prewarp_shares(vec2 red, vec2 green, vec2 blue) {
    return vec3(1.0);
}

vec3 prewarp_shares_shown(vec2 red, vec2 green, vec2 blue) {
    return prewarp_on_content(red, green, blue);
}
#endif
