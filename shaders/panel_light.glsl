// Provides: prewarp_panel_light: the light that a panel gives for a wanted light: encoded, rounded to its codes, and back.
// Needs: encoding.glsl; t_light, one row, light of every code; PREWARP_ROUNDED 1, else nothing is declared.
// Python twin: prewarp.encoding.Quantiser and TransferFunction.linear_of_codes.

#include "encoding.glsl"

#ifndef PREWARP_ROUNDED
#define PREWARP_ROUNDED 0
#endif

#if PREWARP_ROUNDED == 1
uniform sampler2D t_light;

vec3 prewarp_panel_light(vec3 light_linear) {
    int largest = textureSize(t_light, 0).x - 1;
    ivec3 code = ivec3(floor(prewarp_encoded_from_linear(light_linear) * float(largest) + 0.5));
    return vec3(
        texelFetch(t_light, ivec2(code.r, 0), 0).r,
        texelFetch(t_light, ivec2(code.g, 0), 0).r,
        texelFetch(t_light, ivec2(code.b, 0), 0).r);
}
#endif
