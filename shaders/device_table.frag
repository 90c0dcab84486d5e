// Table-texture path: panel pixel -> content point and drive per colour, from tables -> panel codes, encoded, 0 to 1.
// t_table_*: spline coefficients (content u, content v, drive, -), texel (0, 0) one node before the panel's top-left corner.
// value = affine . (1, u, v) + scale * spline; u_affine_* holds its three rows as columns, u_scale_* the value per unit.
// u_nodes_per_px: nodes per panel px along u, v. Draw three vertices with picture.vert.

#include "panel_place.glsl"
#include "spline.glsl"
#include "panel_codes.glsl"

#ifndef PREWARP_LATE
#define PREWARP_LATE 0
#endif
#if PREWARP_LATE == 1
// Late rotation: the content point is taken back to its direction, which is turned to the pose drawn for.
#include "projection.glsl"
#include "late_rotation.glsl"
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;
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
#if PREWARP_LATE == 1
    vec3 value = vec3(1.0, panel_pixel) * affine + scale * prewarp_spline(table, panel_pixel * u_nodes_per_px).xyz;
    vec2 direction = prewarp_tangent_from_plane((value.xy - u_content_middle) / u_content_scale);
    vec2 shown = prewarp_plane_from_tangent(prewarp_turned(direction, panel_pixel, u_head.w));
    return vec3(u_content_middle + shown * u_content_scale, value.z);
#else
    return vec3(1.0, panel_pixel) * affine + scale * prewarp_spline(table, panel_pixel * u_nodes_per_px).xyz;
#endif
}

void main() {
    vec2 panel_pixel = prewarp_panel_pixel();
    vec3 red = prewarp_decoded(t_table_red, u_affine_red, u_scale_red, panel_pixel);
    vec3 green = prewarp_decoded(t_table_green, u_affine_green, u_scale_green, panel_pixel);
    vec3 blue = prewarp_decoded(t_table_blue, u_affine_blue, u_scale_blue, panel_pixel);
    out_encoded = vec4(prewarp_panel_codes(red, green, blue, ivec2(panel_pixel)), 1.0);
}
