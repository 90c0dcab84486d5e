// Provides: prewarp_share: share of light of this channel, 0 to 1, in the direction of a content point, px.
// Needs: u_content_px: width and height of the content picture. t_shares, over it from edge to edge, filtered linearly, the rim
// repeated, for one pupil position. PREWARP_SHARED 0: one channel, nothing is declared, all light is its own; 1: two channels:
// claims of both, then degrees inside what each shows; 2: up to four, their claims, and t_depths, degrees, alike.
// PREWARP_OWN: this channel among them; PREWARP_CLAIMS as PREWARP_SHARED. All panels read the same texels, so that their shares add up to 1.
// Between texels a border is known to a part of their pitch, `PREWARP_SLIVER_DEG`: where no channel reaches, so much is added,
// so that the outermost pixels of a panel stay lit.
// Python twin: prewarp.seam.blend.shown_weights.

#ifndef PREWARP_SHARED
#define PREWARP_SHARED 0
#endif
#ifndef PREWARP_OWN
#define PREWARP_OWN 0
#endif

#define PREWARP_SLIVER_DEG 0.02

#if PREWARP_SHARED > 0
#include "shown_weight.glsl"

uniform vec2 u_content_px;
uniform sampler2D t_shares;
#if PREWARP_SHARED == 2
uniform sampler2D t_depths;
#endif

float prewarp_share(vec2 content_px) {
    vec4 claims[PREWARP_CLAIMS];
    vec2 place = content_px / u_content_px;
#if PREWARP_SHARED == 2
    vec4 claim = texture(t_shares, place);
    vec4 depth = texture(t_depths, place);
    depth += max(max(depth.x, depth.y), max(depth.z, depth.w)) > 0.0 ? 0.0 : PREWARP_SLIVER_DEG;
    claims[0] = vec4(claim[PREWARP_OWN], depth[PREWARP_OWN], claim[(PREWARP_OWN + 1) % 4], depth[(PREWARP_OWN + 1) % 4]);
    claims[1] = vec4(claim[(PREWARP_OWN + 2) % 4], depth[(PREWARP_OWN + 2) % 4],
                     claim[(PREWARP_OWN + 3) % 4], depth[(PREWARP_OWN + 3) % 4]);
#else
    vec4 both = texture(t_shares, place);
    both.zw += max(both.z, both.w) > 0.0 ? 0.0 : PREWARP_SLIVER_DEG;
    claims[0] = vec4(both[PREWARP_OWN], both[PREWARP_OWN + 2], both[1 - PREWARP_OWN], both[3 - PREWARP_OWN]);
#endif
    return prewarp_shown_weight(claims);
}
#else
float prewarp_share(vec2 content_px) {
    return 1.0;
}
#endif
