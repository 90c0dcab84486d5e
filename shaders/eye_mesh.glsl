// Provides: pw_eye_node: the three vectors of one mesh node for a pupil at any depth, for panel pass or view pass.
// Needs: eye_table.glsl, projection.glsl; u_pupil_mm: pupil, mm from the eye-box centre; rows: node rows of the tables.
// PW_SIDE 0: tables hold cosines of red, green, blue; gives content px and blend weight of each colour, pupil = tracked pupil.
// PW_SIDE 1: tables hold green cosines, red and blue panel px; gives (plane of the direction), red, blue panel px, true pupil.
// Python twin: prewarp.render.eyemesh.EyeTable.tangents and .seen.

#include "eye_table.glsl"
#include "projection.glsl"
#include "sampling.glsl"

#ifndef PW_SIDE
#define PW_SIDE 0
#endif
#ifndef PW_DEPTH_STEPS
#define PW_DEPTH_STEPS 2
#endif

uniform vec3 u_pupil_mm;

#if PW_SIDE == 0
// Content px of plane coordinates: u_content_middle + plane * u_content_scale.
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;
// Blend weights on a lattice over the plane.
uniform sampler2D t_weight;
uniform vec2 u_weight_origin;
uniform float u_weight_per_unit;

vec4 pw_shown(vec2 cosine) {
    vec2 plane = pw_plane_from_tangent(pw_tangent_from_cosine(cosine));
    // Node (0, 0) is the centre of texel (0, 0).
    float weight = pw_sample_edge(t_weight, (plane - u_weight_origin) * u_weight_per_unit + 0.5).r;
    return vec4(u_content_middle + plane * u_content_scale, weight, 1.0);
}
#endif

void pw_eye_node(ivec2 node, int rows, out vec4 first, out vec4 second, out vec4 third) {
    vec4 pair;
    vec2 single;
    pw_eye_sums(node, rows, u_pupil_mm.xy, pair, single);
#if PW_SIDE == 0
    vec2 red = pair.xy;
    vec2 green = pair.zw;
    vec2 blue = single;
    if (u_pupil_mm.z != 0.0) {
        for (int k = 0; k < PW_DEPTH_STEPS; ++k) {
            pw_eye_sums(node, rows, u_pupil_mm.xy - u_pupil_mm.z * pw_tangent_from_cosine(pair.zw), pair, single);
        }
        red = pair.xy;
        green = pair.zw;
        blue = single;
        // The other colours look from nearly the same reference pupil: one step of their own is enough.
        vec4 other;
        pw_eye_sums(node, rows, u_pupil_mm.xy - u_pupil_mm.z * pw_tangent_from_cosine(red), other, single);
        red = other.xy;
        pw_eye_sums(node, rows, u_pupil_mm.xy - u_pupil_mm.z * pw_tangent_from_cosine(blue), other, blue);
    }
    first = pw_shown(red);
    second = pw_shown(green);
    third = pw_shown(blue);
#else
    if (u_pupil_mm.z != 0.0) {
        for (int k = 0; k < PW_DEPTH_STEPS; ++k) {
            pw_eye_sums(node, rows, u_pupil_mm.xy - u_pupil_mm.z * pw_tangent_from_cosine(pair.xy), pair, single);
        }
    }
    first = vec4(pw_plane_from_tangent(pw_tangent_from_cosine(pair.xy)), 0.0, 1.0);
    second = vec4(pair.zw, 0.0, 1.0);
    third = vec4(single, 0.0, 1.0);
#endif
}
