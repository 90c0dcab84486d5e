// Second pass of the seam error: spread of directions -> arcmin -> false colour; blended over the picture by its alpha.
// t_spread: largest tangent and largest negative tangent, t_channels: largest channel number and largest negative one
// (seam_spread.frag). u_full_arcmin: error at the end of the scale. Nothing is drawn where one channel alone is seen.

#include "false_colour.glsl"

uniform sampler2D t_spread;
uniform sampler2D t_channels;
uniform float u_full_arcmin;

out vec4 out_linear;

void main() {
    vec4 spread = texelFetch(t_spread, ivec2(gl_FragCoord.xy), 0);
    vec3 high = vec3(spread.xy, 1.0);
    vec3 low = vec3(-spread.zw, 1.0);
    float arcmin = degrees(atan(length(cross(high, low)), dot(high, low))) * 60.0;
    vec2 channels = texelFetch(t_channels, ivec2(gl_FragCoord.xy), 0).xy;
    bool overlaps = channels.x + channels.y > 0.0;
    out_linear = overlaps ? vec4(prewarp_false_colour(arcmin / u_full_arcmin), 0.8) : vec4(0.0);
}
