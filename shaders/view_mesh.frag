// View pass over a channel's mesh: light of the panel, added to the view. u_gain: 1, or the strength of a ghost image.
// t_panel_linear: panel; its sampler gives light, filtered, black off the panel. v_*: panel place, 0 to 1, per colour.
// PREWARP_LIT 1: v_light, luminance of the panel there as a share of white.

#ifndef PREWARP_LIT
#define PREWARP_LIT 0
#endif

uniform sampler2D t_panel_linear;
uniform float u_gain;

in vec2 v_red;
in vec2 v_green;
in vec2 v_blue;
#if PREWARP_LIT == 1
in vec3 v_light;
#endif
out vec4 out_linear;

void main() {
    out_linear = vec4(u_gain * vec3(
        texture(t_panel_linear, v_red).r,
        texture(t_panel_linear, v_green).g,
        texture(t_panel_linear, v_blue).b), 1.0);
#if PREWARP_LIT == 1
    out_linear.rgb *= v_light;
#endif
}
