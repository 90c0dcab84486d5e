// Panel pass over a mesh: content light times blend weight, as the panel can give it.
// t_content_linear: content; its sampler gives light, filtered, black outside. v_*: content place, 0 to 1, and weight.
// PREWARP_ROUNDED 0: the target stores sRGB bytes and so rounds by itself; 1: light is rounded here to the panel's codes.

#include "panel_light.glsl"

#ifndef PREWARP_ROUNDED
#define PREWARP_ROUNDED 0
#endif

uniform sampler2D t_content_linear;

in vec3 v_red;
in vec3 v_green;
in vec3 v_blue;
in vec2 v_depth;
out vec4 out_linear;

void main() {
    vec3 light_linear = vec3(
        texture(t_content_linear, v_red.xy).r * v_red.z,
        texture(t_content_linear, v_green.xy).g * v_green.z,
        texture(t_content_linear, v_blue.xy).b * v_blue.z);
    // Green looks between red and blue.
    light_linear *= vec3(greaterThan(vec3(v_depth.x, v_depth.x + v_depth.y, v_depth.y), vec3(0.0)));
#if PREWARP_ROUNDED == 1
    light_linear = prewarp_panel_light(light_linear);
#endif
    out_linear = vec4(light_linear, 1.0);
}
