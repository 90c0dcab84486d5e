// Panel pass: panel pixel -> content point and drive per colour (meshes) -> linear light -> panel codes.
// t_mesh_*: spline coefficients (content u, content v px, weight, -). t_content_linear: content, linear light, top row 0.
// u_nodes_per_px: nodes per panel pixel along u, v. The target's row 0 is the panel's top row.
// PW_MIXED 1: u_mixing, rows of the white match as columns. PW_DITHERED 1: codes by dither.glsl instead of rounding.

#include "spline.glsl"
#include "sampling.glsl"
#include "encoding.glsl"

#ifndef PW_MIXED
#define PW_MIXED 0
#endif
#ifndef PW_DITHERED
#define PW_DITHERED 0
#endif

#if PW_DITHERED == 1
#include "dither.glsl"
#else
uniform float u_largest_code;
#endif

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform sampler2D t_content_linear;
uniform vec2 u_nodes_per_px;
#if PW_MIXED == 1
uniform mat3 u_mixing;
#endif

out vec4 out_encoded;

vec3 pw_wanted(vec4 mesh) {
    vec3 light_linear = pw_sample_black(t_content_linear, mesh.xy).rgb;
#if PW_MIXED == 1
    light_linear = light_linear * u_mixing;
#endif
    return light_linear * clamp(mesh.z, 0.0, 1.0);
}

void main() {
    vec2 place = gl_FragCoord.xy * u_nodes_per_px;
    vec3 light_linear = vec3(
        pw_wanted(pw_spline(t_mesh_red, place)).r,
        pw_wanted(pw_spline(t_mesh_green, place)).g,
        pw_wanted(pw_spline(t_mesh_blue, place)).b);
#if PW_DITHERED == 1
    vec3 value_encoded = pw_dithered(light_linear, ivec2(gl_FragCoord.xy));
#else
    vec3 value_encoded = pw_quantised(pw_encoded_from_linear(light_linear), u_largest_code);
#endif
    out_encoded = vec4(value_encoded, 1.0);
}
