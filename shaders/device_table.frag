// Table-texture path: panel pixel -> content point and gain per colour, from tables -> panel codes, encoded, 0 to 1.
// t_table_*: spline coefficients (content u, content v, gain, -), texel (0, 0) one node before the panel's top-left corner.
// value = affine . (1, u, v) + scale * spline; u_affine_* holds its three rows as columns, u_scale_* the value per unit.
// u_nodes_per_px: nodes per panel px along u, v. Draw three vertices with picture.vert.

#include "panel_place.glsl"
#include "spline.glsl"
#include "panel_share.glsl"
#include "panel_codes.glsl"

#ifndef PREWARP_LATE
#define PREWARP_LATE 0
#endif
#if PREWARP_LATE == 1
#include "content_place.glsl"
#endif

uniform sampler2D t_table_red;
uniform sampler2D t_table_green;
uniform sampler2D t_table_blue;
uniform mat3 u_affine_red;
uniform mat3 u_affine_green;
uniform mat3 u_affine_blue;
uniform vec3 u_scale_red;
uniform vec3 u_scale_green;
uniform vec3 u_scale_blue;
uniform vec2 u_nodes_per_px;

out vec4 out_encoded;

vec3 prewarp_decoded(sampler2D table, mat3 affine, vec3 scale, vec2 panel_pixel) {
    return vec3(1.0, panel_pixel) * affine + scale * prewarp_spline(table, panel_pixel * u_nodes_per_px).xyz;
}

#if PREWARP_LATE == 1
// Late rotation: a content point is taken back to its direction.
vec2 prewarp_direction(vec2 content_px) {
    return prewarp_tangent_from_plane((content_px - u_content_middle) / u_content_scale);
}
#endif

void main() {
    vec2 panel_pixel = prewarp_panel_pixel();
    vec3 red = prewarp_decoded(t_table_red, u_affine_red, u_scale_red, panel_pixel);
    vec3 green = prewarp_decoded(t_table_green, u_affine_green, u_scale_green, panel_pixel);
    vec3 blue = prewarp_decoded(t_table_blue, u_affine_blue, u_scale_blue, panel_pixel);
#if PREWARP_LATE == 1
    vec2 to_red = prewarp_direction(red.xy);
    vec2 to_green = prewarp_direction(green.xy);
    vec2 to_blue = prewarp_direction(blue.xy);
    vec3 share = prewarp_shares(prewarp_in_pose(to_red, panel_pixel, u_weights_for_s),
                                prewarp_in_pose(to_green, panel_pixel, u_weights_for_s),
                                prewarp_in_pose(to_blue, panel_pixel, u_weights_for_s));
    red.xy = prewarp_in_pose(to_red, panel_pixel, u_head.w);
    green.xy = prewarp_in_pose(to_green, panel_pixel, u_head.w);
    blue.xy = prewarp_in_pose(to_blue, panel_pixel, u_head.w);
    share *= prewarp_on_content(red.xy, green.xy, blue.xy);
#else
    vec3 share = prewarp_shares_shown(red.xy, green.xy, blue.xy);
#endif
    out_encoded = vec4(prewarp_panel_codes(red, green, blue, share, ivec2(panel_pixel)), 1.0);
}
