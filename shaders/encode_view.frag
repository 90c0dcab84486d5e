// Last pass of the perceived view: linear light -> 8-bit sRGB. t_view_linear has the target's size.

#include "encoding.glsl"

uniform sampler2D t_view_linear;

out vec4 out_encoded;

void main() {
    vec3 light_linear = texelFetch(t_view_linear, ivec2(gl_FragCoord.xy), 0).rgb;
    out_encoded = vec4(prewarp_quantised(prewarp_srgb_from_linear(light_linear), 255.0), 1.0);
}
