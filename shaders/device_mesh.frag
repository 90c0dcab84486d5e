// Vertex-mesh path, fragment stage: content point and gain per colour, between nodes -> panel codes, encoded, 0 to 1.
// Shares of light are formed in every pixel.

#include "panel_place.glsl"
#include "panel_share.glsl"
#include "panel_codes.glsl"

#ifndef PREWARP_LATE
#define PREWARP_LATE 0
#endif

in vec3 v_red;
in vec3 v_green;
in vec3 v_blue;
#if PREWARP_LATE == 1
in vec2 v_weighed_red;
in vec2 v_weighed_green;
in vec2 v_weighed_blue;
#endif

out vec4 out_encoded;

void main() {
#if PREWARP_LATE == 1
    vec3 share = prewarp_shares(v_weighed_red, v_weighed_green, v_weighed_blue)
               * prewarp_on_content(v_red.xy, v_green.xy, v_blue.xy);
#else
    vec3 share = prewarp_shares_shown(v_red.xy, v_green.xy, v_blue.xy);
#endif
    out_encoded = vec4(prewarp_panel_codes(v_red, v_green, v_blue, share, ivec2(prewarp_panel_pixel())), 1.0);
}
