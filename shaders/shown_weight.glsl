// Provides: prewarp_shown_weight: share of light of a channel where it is lit; prewarp_weight_of: the same from sums;
// prewarp_rim: what is left of it near the rim.
// Needs: u_edge_deg: light fades over so many degrees towards the rim of what any channel shows; 0: it ends at once.
// PREWARP_CLAIMS: 1 or 2; claims: claim, depth (degrees inside what is lit) of this channel, then of the others, in pairs.
// Python twin: prewarp.seam.blend.shown_weights.

#ifndef PREWARP_CLAIMS
#define PREWARP_CLAIMS 1
#endif

uniform float u_edge_deg;

// A claim that a channel keeps wherever it is lit, so that it serves alone where others are dark.
#define PREWARP_LEAST_CLAIM 0.002

float prewarp_claim(vec2 claim_depth) {
    return claim_depth.y > 0.0 ? max(claim_depth.x, 0.0) + PREWARP_LEAST_CLAIM : 0.0;
}

float prewarp_rim(float depth) {
    float s = u_edge_deg > 0.0 ? clamp(depth / u_edge_deg, 0.0, 1.0) : 1.0;
    return s * s * s * (s * (6.0 * s - 15.0) + 10.0);
}

// own: prewarp_claim of this channel; total: of all; depth: the largest.
float prewarp_weight_of(float own, float total, float depth) {
    return total > 0.0 ? own / total * prewarp_rim(depth) : 0.0;
}

float prewarp_shown_weight(vec4 claims[PREWARP_CLAIMS]) {
    float total = 0.0;
    float depth = claims[0].y;
    for (int k = 0; k < PREWARP_CLAIMS; ++k) {
        total += prewarp_claim(claims[k].xy) + prewarp_claim(claims[k].zw);
        depth = max(depth, max(claims[k].y, claims[k].w));
    }
    return prewarp_weight_of(prewarp_claim(claims[0].xy), total, depth);
}
