// Provides: prewarp_eye_node: the three vectors of one mesh node for a pupil at any depth, for panel pass or view pass.
// Needs: eye_table.glsl, projection.glsl; u_pupil_mm: pupil, mm from the eye-box centre; rows: node rows of the tables.
// PREWARP_SIDE 0: tables hold cosines of red, green, blue; gives content px, drive of white where lit, and blend weight (green)
// or degrees inside what the channel shows (red, blue); pupil = tracked pupil. PREWARP_SIDE 1: tables hold green cosines, red
// and blue panel px; gives plane of the direction, red, blue panel px, true pupil; third: luminance there, as a share of white.
// PREWARP_LIT 1: luminance is known; u_light: 0 panels look evenly lit, 1 as measured, 2 as measured and matched by gains.
// PREWARP_DARK 1: of what is lit, of up to four channels, this one PREWARP_OWN: t_claim, t_depth. PREWARP_GAINS 1: the gain.
// Python twin: prewarp.render.live.eye_table.EyeTable.tangents, .seen and .luminance.

#include "eye_table.glsl"
#include "projection.glsl"
#include "sampling.glsl"

#ifndef PREWARP_SIDE
#define PREWARP_SIDE 0
#endif
#ifndef PREWARP_DARK
#define PREWARP_DARK 0
#endif
#ifndef PREWARP_PUPILS
#define PREWARP_PUPILS 5
#endif
#ifndef PREWARP_OWN
#define PREWARP_OWN 0
#endif
#ifndef PREWARP_DEPTH_STEPS
#define PREWARP_DEPTH_STEPS 2
#endif

#ifndef PREWARP_GAINS
#define PREWARP_GAINS 0
#endif
#ifndef PREWARP_TURNING
#define PREWARP_TURNING 0
#endif

#if PREWARP_TURNING == 1
// The head turns by u_turn_rad_per_s; node (column, row) is lit u_turn_node_s.x + .y column + .z row seconds after the pose
// drawn for. Content and places are those of the directions in that pose; weights those in a pose u_turn_weights_s earlier.
#include "turning.glsl"
uniform vec3 u_turn_rad_per_s;
uniform vec3 u_turn_node_s;
uniform float u_turn_weights_s;
#endif

vec2 prewarp_in_pose(vec2 tangent, ivec2 node, bool weighed) {
#if PREWARP_TURNING == 1
    float since = u_turn_node_s.x + dot(u_turn_node_s.yz, vec2(node)) + (weighed ? u_turn_weights_s : 0.0);
    return prewarp_turned_by(tangent, u_turn_rad_per_s * since);
#else
    return tangent;
#endif
}

uniform vec3 u_pupil_mm;
#if PREWARP_LIT == 1
uniform int u_light;
#endif

#if PREWARP_SIDE == 0
// Content px of plane coordinates: u_content_middle + plane * u_content_scale.
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;
// On a lattice over the plane: blend weights, or with PREWARP_LIT 1 weight times target luminance of red, green, blue,
// and the weight.
uniform sampler2D t_weight;
uniform vec2 u_weight_origin;
uniform float u_weight_per_unit;

#if PREWARP_DARK == 1
#define PREWARP_CLAIMS 2
#include "shown_weight.glsl"
#include "spline.glsl"
// Claims of channels by direction: spline coefficients over the plane (angle from straight ahead, degrees, along the azimuth).
uniform sampler2D t_claim;
uniform vec2 u_claim_origin_deg;
uniform float u_claim_pitch_deg;
// Degrees inside what each shows: a tile of directions for each pupil, PREWARP_PUPILS each way.
uniform sampler2D t_depth;
uniform vec2 u_depth_origin;
uniform float u_depth_per_unit;
// Pupils lie evenly from -half to half; rays are told by where they cross the plane z = 0.
uniform vec2 u_depth_half_mm;

vec4 prewarp_depths(vec2 place, vec2 pupil) {
    ivec2 tile = textureSize(t_depth, 0) / ivec2(1, PREWARP_PUPILS * PREWARP_PUPILS);
    vec2 inside = clamp(place, vec2(0.5), vec2(tile) - 0.5);
    return prewarp_sample_edge(t_depth, inside + vec2(0.0, float(tile.y) * (pupil.y * float(PREWARP_PUPILS) + pupil.x)));
}

vec4 prewarp_claims(vec2 tangent) {
    float radius = length(tangent);
    vec2 plane = degrees(radius > 1e-6 ? tangent * (atan(radius) / radius) : tangent);
    // Past the lattice claims stay what they are at its border.
    vec2 last = vec2(textureSize(t_claim, 0) - ivec2(3));
    return prewarp_spline(t_claim, clamp((plane - u_claim_origin_deg) / u_claim_pitch_deg, vec2(0.0), last));
}

// Share of light where this channel is lit, and how far inside what it shows the direction lies, degrees.
vec2 prewarp_lit_weight(vec2 tangent, vec2 plane) {
    vec2 place = (plane - u_depth_origin) * u_depth_per_unit + 0.5;
    vec2 reference = clamp((u_pupil_mm.xy - u_pupil_mm.z * tangent) / u_depth_half_mm, -1.0, 1.0);
    vec2 pupil = (0.5 * reference + 0.5) * float(PREWARP_PUPILS - 1);
    vec2 first = min(floor(pupil), vec2(float(PREWARP_PUPILS - 2)));
    vec2 t = pupil - first;
    vec4 depth = mix(
        mix(prewarp_depths(place, first), prewarp_depths(place, first + vec2(1.0, 0.0)), t.x),
        mix(prewarp_depths(place, first + vec2(0.0, 1.0)), prewarp_depths(place, first + vec2(1.0, 1.0)), t.x), t.y);
    vec4 claim = prewarp_claims(tangent);
    vec4 claims[PREWARP_CLAIMS];
    // This channel first.
    float own = depth[PREWARP_OWN];
    claims[0] = vec4(claim[PREWARP_OWN], max(own, 1e-3), claim[(PREWARP_OWN + 1) % 4], depth[(PREWARP_OWN + 1) % 4]);
    claims[1] = vec4(claim[(PREWARP_OWN + 2) % 4], depth[(PREWARP_OWN + 2) % 4],
                     claim[(PREWARP_OWN + 3) % 4], depth[(PREWARP_OWN + 3) % 4]);
    return vec2(prewarp_shown_weight(claims), own);
}
#endif

vec4 prewarp_shown(vec2 cosine, ivec2 node, int colour, vec3 log_light) {
    vec2 tangent = prewarp_tangent_from_cosine(cosine);
    vec2 weighed = prewarp_in_pose(tangent, node, true);
    vec2 plane = prewarp_plane_from_tangent(weighed);
    vec2 shown = prewarp_plane_from_tangent(prewarp_in_pose(tangent, node, false));
    // Node (0, 0) is the centre of texel (0, 0).
    vec4 weight = prewarp_sample_edge(t_weight, (plane - u_weight_origin) * u_weight_per_unit + 0.5);
#if PREWARP_GAINS == 1
#if PREWARP_LIT == 1
    float gain = u_light == 2 ? weight[colour] / max(weight.a, 1e-6) * exp(-log_light[colour]) : 1.0;
#else
    float gain = 1.0;
#endif
    return vec4(u_content_middle + shown * u_content_scale, clamp(gain, 0.0, 1.0), 1.0);
#endif
    float depth = 1.0;
#if PREWARP_DARK == 1
    vec2 lit = prewarp_lit_weight(weighed, plane);
    weight *= lit.x;
    depth = lit.y;
#endif
#if PREWARP_LIT == 1
    float alone = weight.a;
    float drive = u_light == 2 ? clamp(weight[colour] * exp(-log_light[colour]), 0.0, 1.0) : weight.a;
#else
    float alone = weight.r;
    float drive = alone;
#endif
    // Light ends between nodes, where the depth is zero.
    return vec4(u_content_middle + shown * u_content_scale, drive, colour == 1 ? alone : depth);
}
#else
vec3 prewarp_luminance(vec3 log_light) {
#if PREWARP_LIT == 1
    if (u_light != 0) {
        return exp(log_light);
    }
#endif
    return vec3(1.0);
}
#endif

void prewarp_eye_node(ivec2 node, int rows, out vec4 first, out vec4 second, out vec4 third) {
    vec4 pair;
    vec2 single;
    vec3 log_light;
    prewarp_eye_sums(node, rows, u_pupil_mm.xy, pair, single, log_light);
#if PREWARP_SIDE == 0
    vec2 red = pair.xy;
    vec2 blue = single;
    vec3 log_red = log_light;
    vec3 log_blue = log_light;
    if (u_pupil_mm.z != 0.0) {
        for (int k = 0; k < PREWARP_DEPTH_STEPS; ++k) {
            prewarp_eye_sums(
                node, rows, u_pupil_mm.xy - u_pupil_mm.z * prewarp_tangent_from_cosine(pair.zw), pair, single, log_light);
        }
        // The other colours look from nearly the same reference pupil: one step of their own is enough.
        vec4 other;
        prewarp_eye_sums(node, rows, u_pupil_mm.xy - u_pupil_mm.z * prewarp_tangent_from_cosine(pair.xy), other, blue, log_red);
        red = other.xy;
        prewarp_eye_sums(node, rows, u_pupil_mm.xy - u_pupil_mm.z * prewarp_tangent_from_cosine(single), other, blue, log_blue);
    }
    first = prewarp_shown(red, node, 0, log_red);
    second = prewarp_shown(pair.zw, node, 1, log_light);
    third = prewarp_shown(blue, node, 2, log_blue);
#else
    if (u_pupil_mm.z != 0.0) {
        for (int k = 0; k < PREWARP_DEPTH_STEPS; ++k) {
            prewarp_eye_sums(
                node, rows, u_pupil_mm.xy - u_pupil_mm.z * prewarp_tangent_from_cosine(pair.xy), pair, single, log_light);
        }
    }
    vec3 luminance = prewarp_luminance(log_light);
    vec2 seen = prewarp_in_pose(prewarp_tangent_from_cosine(pair.xy), node, false);
    first = vec4(prewarp_plane_from_tangent(seen), luminance.g, 1.0);
    second = vec4(pair.zw, luminance.r, 1.0);
    third = vec4(single, luminance.b, 1.0);
#endif
}
