// Panel pass: panel pixel -> content point and drive per colour (meshes) -> linear light -> panel codes.
// t_mesh_*: spline coefficients (content u, content v px, weight, -). Content, white match and dither: see panel_codes.glsl.
// u_nodes_per_px: nodes per panel pixel along u, v. The target's row 0 is the panel's top row.

#include "spline.glsl"
#include "panel_codes.glsl"

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform vec2 u_nodes_per_px;

out vec4 out_encoded;

void main() {
    vec2 place = gl_FragCoord.xy * u_nodes_per_px;
    vec3 red = prewarp_spline(t_mesh_red, place).xyz;
    vec3 green = prewarp_spline(t_mesh_green, place).xyz;
    vec3 blue = prewarp_spline(t_mesh_blue, place).xyz;
    out_encoded = vec4(prewarp_panel_codes(red, green, blue, ivec2(gl_FragCoord.xy)), 1.0);
}
