// Vertex-mesh path, fragment stage: content point and gain per colour, between nodes -> panel codes, encoded, 0 to 1.
// Shares of light are formed in every pixel.
// PREWARP_BENT 1: content points are not linear in a triangle but bend with the mesh: v_node, node of the mesh; v_along, v_down,
// v_across, see bent_cell.glsl, content px.

#include "panel_place.glsl"
#include "panel_share.glsl"
#include "panel_codes.glsl"

#ifndef PREWARP_LATE
#define PREWARP_LATE 0
#endif
#ifndef PREWARP_BENT
#define PREWARP_BENT 0
#endif
#if PREWARP_BENT == 1
#include "bent_cell.glsl"
#endif

in vec3 v_red;
in vec3 v_green;
in vec3 v_blue;
#if PREWARP_LATE == 1
in vec2 v_weighed_red;
in vec2 v_weighed_green;
in vec2 v_weighed_blue;
#endif
#if PREWARP_BENT == 1
in vec2 v_node;
in vec2 v_along;
in vec2 v_down;
in vec2 v_across;
#endif

out vec4 out_encoded;

void main() {
    vec3 red = v_red;
    vec3 green = v_green;
    vec3 blue = v_blue;
#if PREWARP_LATE == 1
    vec2 weighed_red = v_weighed_red;
    vec2 weighed_green = v_weighed_green;
    vec2 weighed_blue = v_weighed_blue;
#endif
#if PREWARP_BENT == 1
    vec3 bent = vec3(prewarp_bent(v_node, v_along, v_down, v_across), 0.0);
    red -= bent;
    green -= bent;
    blue -= bent;
#if PREWARP_LATE == 1
    weighed_red -= bent.xy;
    weighed_green -= bent.xy;
    weighed_blue -= bent.xy;
#endif
#endif
#if PREWARP_LATE == 1
    vec3 share = prewarp_shares(weighed_red, weighed_green, weighed_blue) * prewarp_on_content(red.xy, green.xy, blue.xy);
#else
    vec3 share = prewarp_shares_shown(red.xy, green.xy, blue.xy);
#endif
    out_encoded = vec4(prewarp_panel_codes(red, green, blue, share, ivec2(prewarp_panel_pixel())), 1.0);
}
