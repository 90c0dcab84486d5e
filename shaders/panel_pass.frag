// Panel pass: panel pixel -> content point and drive per colour (meshes) -> linear light -> panel codes.
// t_mesh_*: spline coefficients (content u, content v px, drive, -). Content, white match and dither: see panel_codes.glsl.
// PREWARP_CLAIMS: 0: the drive is the weight. Else t_claim_*_0, _1: coefficients of claims and depths, see shown_weight.glsl.
// u_nodes_per_px: nodes per panel pixel along u, v. The target's row 0 is the panel's top row.

#include "spline.glsl"
#include "panel_codes.glsl"

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform vec2 u_nodes_per_px;

#ifndef PREWARP_CLAIMS
#define PREWARP_CLAIMS 0
#endif

#if PREWARP_CLAIMS > 0
#include "shown_weight.glsl"
uniform sampler2D t_claim_red_0;
uniform sampler2D t_claim_green_0;
uniform sampler2D t_claim_blue_0;
#if PREWARP_CLAIMS > 1
uniform sampler2D t_claim_red_1;
uniform sampler2D t_claim_green_1;
uniform sampler2D t_claim_blue_1;
#endif
#endif

out vec4 out_encoded;

void main() {
    vec2 place = gl_FragCoord.xy * u_nodes_per_px;
    vec3 red = prewarp_spline(t_mesh_red, place).xyz;
    vec3 green = prewarp_spline(t_mesh_green, place).xyz;
    vec3 blue = prewarp_spline(t_mesh_blue, place).xyz;
#if PREWARP_CLAIMS > 0
    vec4 claims[PREWARP_CLAIMS];
    claims[0] = prewarp_spline(t_claim_red_0, place);
#if PREWARP_CLAIMS > 1
    claims[1] = prewarp_spline(t_claim_red_1, place);
#endif
    red.z *= prewarp_shown_weight(claims);
    claims[0] = prewarp_spline(t_claim_green_0, place);
#if PREWARP_CLAIMS > 1
    claims[1] = prewarp_spline(t_claim_green_1, place);
#endif
    green.z *= prewarp_shown_weight(claims);
    claims[0] = prewarp_spline(t_claim_blue_0, place);
#if PREWARP_CLAIMS > 1
    claims[1] = prewarp_spline(t_claim_blue_1, place);
#endif
    blue.z *= prewarp_shown_weight(claims);
#endif
    vec3 share = prewarp_on_content(red.xy, green.xy, blue.xy);
    out_encoded = vec4(prewarp_panel_codes(red, green, blue, share, ivec2(gl_FragCoord.xy)), 1.0);
}
