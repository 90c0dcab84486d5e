// Polynomial path: panel pixel -> direction per colour, from Chebyshev terms -> content point, gain -> panel codes, encoded.
// Block PrewarpCoefficients: for term k of T_i(s) T_j(t), k = (i + j)(i + j + 1) / 2 + j, the tangents (red x, y, green x, y)
// and (blue x, y, -, -), for one pupil position (prewarp_prepare of the C evaluator). s = 2 u / width - 1, t = 2 v / height - 1.
// PREWARP_GAINED 1: t_gain_* over the panel, edge to edge, of the same pupil position. Content px = u_content_middle
// + plane * u_content_scale. Draw it with picture.vert, three vertices.

#include "panel_place.glsl"
#include "content_place.glsl"
#include "panel_share.glsl"
#include "panel_codes.glsl"

#ifndef PREWARP_DEGREE
#define PREWARP_DEGREE 8
#endif
#ifndef PREWARP_GAINED
#define PREWARP_GAINED 0
#endif
#define PREWARP_TERMS (((PREWARP_DEGREE + 1) * (PREWARP_DEGREE + 2)) / 2)

layout(std140) uniform PrewarpCoefficients {
    vec4 u_red_green[PREWARP_TERMS];
    vec4 u_blue[PREWARP_TERMS];
};

#if PREWARP_GAINED == 1
uniform sampler2D t_gain_red;
uniform sampler2D t_gain_green;
uniform sampler2D t_gain_blue;
#endif

out vec4 out_encoded;

// Between nodes bilinear, by explicit fetches; place 0 to 1 from the first node to the last.
float prewarp_between_nodes(sampler2D nodes, vec2 place) {
    return prewarp_sample_edge(nodes, place * vec2(textureSize(nodes, 0) - 1) + 0.5).r;
}

void main() {
    vec2 panel_pixel = prewarp_panel_pixel();
    vec2 place = panel_pixel / u_panel_px;
    vec2 st = 2.0 * place - 1.0;
    float in_s[PREWARP_DEGREE + 2];
    float in_t[PREWARP_DEGREE + 2];
    in_s[0] = 1.0;
    in_t[0] = 1.0;
    in_s[1] = st.x;
    in_t[1] = st.y;
    for (int k = 2; k <= PREWARP_DEGREE; ++k) {
        in_s[k] = 2.0 * st.x * in_s[k - 1] - in_s[k - 2];
        in_t[k] = 2.0 * st.y * in_t[k - 1] - in_t[k - 2];
    }
    vec4 red_green = vec4(0.0);
    vec2 blue = vec2(0.0);
    for (int j = 0; j <= PREWARP_DEGREE; ++j) {
        vec4 line = vec4(0.0);
        vec2 line_blue = vec2(0.0);
        for (int i = 0; i <= PREWARP_DEGREE - j; ++i) {
            int k = ((i + j) * (i + j + 1)) / 2 + j;
            line += u_red_green[k] * in_s[i];
            line_blue += u_blue[k].xy * in_s[i];
        }
        red_green += line * in_t[j];
        blue += line_blue * in_t[j];
    }
    vec3 gain = vec3(1.0);
#if PREWARP_GAINED == 1
    gain = vec3(prewarp_between_nodes(t_gain_red, place), prewarp_between_nodes(t_gain_green, place),
                    prewarp_between_nodes(t_gain_blue, place));
#endif
#if PREWARP_LATE == 1
    vec3 share = prewarp_shares(prewarp_in_pose(red_green.xy, panel_pixel, u_weights_for_s),
                                prewarp_in_pose(red_green.zw, panel_pixel, u_weights_for_s),
                                prewarp_in_pose(blue, panel_pixel, u_weights_for_s));
    vec3 red = vec3(prewarp_in_pose(red_green.xy, panel_pixel, u_head.w), gain.r);
    vec3 green = vec3(prewarp_in_pose(red_green.zw, panel_pixel, u_head.w), gain.g);
    vec3 last = vec3(prewarp_in_pose(blue, panel_pixel, u_head.w), gain.b);
    share *= prewarp_on_content(red.xy, green.xy, last.xy);
#else
    vec3 red = vec3(prewarp_content_px(red_green.xy), gain.r);
    vec3 green = vec3(prewarp_content_px(red_green.zw), gain.g);
    vec3 last = vec3(prewarp_content_px(blue), gain.b);
    vec3 share = prewarp_shares_shown(red.xy, green.xy, last.xy);
#endif
    out_encoded = vec4(prewarp_panel_codes(red, green, last, share, ivec2(panel_pixel)), 1.0);
}
