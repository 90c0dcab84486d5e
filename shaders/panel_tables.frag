// Panel pass from exported tables: panel pixel -> content point and blend weight per colour -> light -> panel codes.
// t_table_*: whole-number codes (content u, content v, weight, -) of the PNG files, RGBA; row 0 is the first PNG row.
// u_affine_*: rows of (constant, per u px, per v px); u_scale_*: value per code; see manifest.json for all of them.
// t_content_linear: content picture in linear light, row 0 the top. The target's row 0 is the panel's top row.

#include "spline.glsl"
#include "sampling.glsl"
#include "encoding.glsl"

uniform sampler2D t_table_red;
uniform sampler2D t_table_green;
uniform sampler2D t_table_blue;
uniform mat3 u_affine_red;
uniform mat3 u_affine_green;
uniform mat3 u_affine_blue;
uniform vec3 u_scale_red;
uniform vec3 u_scale_green;
uniform vec3 u_scale_blue;
uniform sampler2D t_content_linear;
uniform vec2 u_nodes_per_px;
uniform float u_largest_code;

out vec4 out_encoded;

// Content point, px, and weight of a panel pixel; affine holds its three rows as columns.
vec3 pw_decoded(sampler2D table, mat3 affine, vec3 scale, vec2 panel_pixel) {
    vec3 code = pw_spline(table, panel_pixel * u_nodes_per_px).xyz;
    return vec3(1.0, panel_pixel) * affine + scale * code;
}

void main() {
    vec2 panel_pixel = gl_FragCoord.xy;
    vec3 red = pw_decoded(t_table_red, u_affine_red, u_scale_red, panel_pixel);
    vec3 green = pw_decoded(t_table_green, u_affine_green, u_scale_green, panel_pixel);
    vec3 blue = pw_decoded(t_table_blue, u_affine_blue, u_scale_blue, panel_pixel);
    vec3 light_linear = vec3(
        pw_sample_black(t_content_linear, red.xy).r * clamp(red.z, 0.0, 1.0),
        pw_sample_black(t_content_linear, green.xy).g * clamp(green.z, 0.0, 1.0),
        pw_sample_black(t_content_linear, blue.xy).b * clamp(blue.z, 0.0, 1.0));
    out_encoded = vec4(pw_quantised(pw_encoded_from_linear(light_linear), u_largest_code), 1.0);
}
