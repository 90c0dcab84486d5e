// Panel pass: panel pixel -> content point and blend weight per colour (meshes) -> linear light -> panel codes.
// t_mesh_*: spline coefficients (content u, content v px, weight, -). t_content_linear: content, linear light, top row 0.
// u_nodes_per_px: nodes per panel pixel along u, v. The target's row 0 is the panel's top row.

#include "spline.glsl"
#include "sampling.glsl"
#include "encoding.glsl"

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform sampler2D t_content_linear;
uniform vec2 u_nodes_per_px;
uniform float u_largest_code;

out vec4 out_encoded;

void main() {
    vec2 place = gl_FragCoord.xy * u_nodes_per_px;
    vec4 red = pw_spline(t_mesh_red, place);
    vec4 green = pw_spline(t_mesh_green, place);
    vec4 blue = pw_spline(t_mesh_blue, place);
    vec3 light_linear = vec3(
        pw_sample_black(t_content_linear, red.xy).r * clamp(red.z, 0.0, 1.0),
        pw_sample_black(t_content_linear, green.xy).g * clamp(green.z, 0.0, 1.0),
        pw_sample_black(t_content_linear, blue.xy).b * clamp(blue.z, 0.0, 1.0));
    out_encoded = vec4(pw_quantised(pw_encoded_from_linear(light_linear), u_largest_code), 1.0);
}
