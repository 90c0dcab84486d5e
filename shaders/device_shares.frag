// Shares of light on the GPU, second pass, once for every pupil position: the texture that all panels of the eye read
// (panel_share.glsl). Target: over the content picture from edge to edge, half floats, filtered linearly by those who read it:
// two channels: claims of both, then degrees inside what each shows; up to four: their claims, and in a second target degrees.
// t_claim_numbers: spline coefficients of claims, a component a channel, over the angle from straight ahead along the azimuth,
// degrees: first inner one at u_claim_origin_deg, u_claim_pitch_deg apart. t_borders: from device_borders.frag.
// u_texels: the target's size. u_limit_deg: depths are cut there. Draw it with picture.vert.
// Python twin: prewarp.lookup.device_light.PreparedLight.claims_and_depths.

#include "projection.glsl"
#include "spline.glsl"
#include "turn_order.glsl"

#ifndef PREWARP_CHANNELS
#define PREWARP_CHANNELS 2
#endif
#define PREWARP_DEGREES 57.29577951308232

uniform sampler2D t_claim_numbers;
uniform sampler2D t_borders;
uniform vec2 u_texels;
uniform vec2 u_content_px;
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;
uniform vec2 u_claim_origin_deg;
uniform float u_claim_pitch_deg;
uniform float u_limit_deg;

out vec4 out_shares;
#if PREWARP_CHANNELS > 2
out vec4 out_depths;
#endif

// The angle is halved twice, then comes the arc tangent's series: GLSL's own may be off by 1e-4 of the angle.
vec2 prewarp_plane_deg(vec2 direction) {
    float square = dot(direction, direction);
    float first = 1.0 + sqrt(1.0 + square);
    square /= first * first;
    float second = 1.0 + sqrt(1.0 + square);
    square /= second * second;
    float series = -1.0 / 15.0;
    for (int k = 13; k > 0; k -= 2) {
        series = series * square + (k % 4 == 1 ? 1.0 : -1.0) / float(k);
    }
    return direction * (series * 4.0 * PREWARP_DEGREES / (first * second));
}

vec4 prewarp_claims(vec2 direction) {
    vec2 last = vec2(textureSize(t_claim_numbers, 0) - 3);
    vec2 place = clamp((prewarp_plane_deg(direction) - u_claim_origin_deg) / u_claim_pitch_deg, vec2(0.0), last);
    return max(prewarp_spline(t_claim_numbers, place), vec4(0.0));
}

float prewarp_across(vec2 one, vec2 other) {
    return one.x * other.y - one.y * other.x;
}

// How far inside the piece of the border that lies ahead, looking from the middle; tangents.
float prewarp_inside(int border, vec2 direction) {
    vec3 middle = texelFetch(t_borders, ivec2(0, border), 0).xyz;
    vec2 place = direction - middle.xy;
    int count = int(middle.z);
    float order = prewarp_turn_order(texelFetch(t_borders, ivec2(1, border), 0).xy, place);
    // The last vertex at or before it.
    int low = 1;
    int high = count + 1;
    while (low + 1 < high) {
        int between = (low + high) / 2;
        if (order < texelFetch(t_borders, ivec2(between, border), 0).w) {
            high = between;
        } else {
            low = between;
        }
    }
    vec2 here = texelFetch(t_borders, ivec2(low, border), 0).xy;
    vec2 along = texelFetch(t_borders, ivec2(low == count ? 1 : low + 1, border), 0).xy - here;
    float size = length(along);
    return size > 0.0 ? prewarp_across(along, place - here) / size : 0.0;
}

float prewarp_depth_deg(int channel, vec2 direction) {
    float depth = min(min(prewarp_inside(3 * channel, direction), prewarp_inside(3 * channel + 1, direction)),
                      prewarp_inside(3 * channel + 2, direction));
    // Degrees per unit of tangent: geometric mean of those across and along the radius.
    float root = sqrt(1.0 + dot(direction, direction));
    return clamp(depth * PREWARP_DEGREES / (root * sqrt(root)), -u_limit_deg, u_limit_deg);
}

void main() {
    vec2 content_px = gl_FragCoord.xy / u_texels * u_content_px;
    vec2 direction = prewarp_tangent_from_plane((content_px - u_content_middle) / u_content_scale);
    vec4 claims = prewarp_claims(direction);
    vec4 depths = vec4(-u_limit_deg);
    depths.x = prewarp_depth_deg(0, direction);
    depths.y = prewarp_depth_deg(1, direction);
#if PREWARP_CHANNELS > 2
    depths.z = prewarp_depth_deg(2, direction);
#endif
#if PREWARP_CHANNELS > 3
    depths.w = prewarp_depth_deg(3, direction);
#endif
#if PREWARP_CHANNELS > 2
    out_shares = claims;
    out_depths = depths;
#else
    out_shares = vec4(claims.xy, depths.xy);
#endif
}
