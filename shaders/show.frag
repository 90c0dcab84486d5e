// Shows a picture of light in the part of the target that is in use: a panel, the world behind, a page of text, the window.
// Place in the picture, 0 to 1, row 0 the top: u_first + gl_FragCoord.xy * u_per_px. u_gain multiplies the light.
// PREWARP_ENCODED 1: the target stores bytes as they come, so the light is encoded as sRGB here.

#include "encoding.glsl"

#ifndef PREWARP_ENCODED
#define PREWARP_ENCODED 0
#endif

uniform sampler2D t_picture_linear;
uniform vec2 u_first;
uniform vec2 u_per_px;
uniform float u_gain;

out vec4 out_shown;

void main() {
    vec4 value = texture(t_picture_linear, u_first + gl_FragCoord.xy * u_per_px);
    vec3 light_linear = u_gain * value.rgb;
#if PREWARP_ENCODED == 1
    out_shown = vec4(prewarp_srgb_from_linear(light_linear), value.a);
#else
    out_shown = vec4(light_linear, value.a);
#endif
}
