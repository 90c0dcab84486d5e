// Shares of light on the GPU, first pass, once for every pupil position: directions of the borders of what panels show.
// t_border_points: rows: red, green, blue of the first channel, then of the next; a point well inside, then the border:
// s, t (-1 to 1 over the panel), how many points, -. t_terms_0 to 3: from device_prepare.frag, a channel each.
// Target: of the size of t_border_points, 32-bit floats: first the direction of the point inside, then of border points
// relative to it, tangents; how many points; how far around from the first (turn_order.glsl). Draw it with picture.vert.
// Python twin: prewarp.lookup.device_light.prepared_border.

#include "panel_terms.glsl"
#include "turn_order.glsl"

#ifndef PREWARP_CHANNELS
#define PREWARP_CHANNELS 2
#endif

uniform sampler2D t_border_points;
uniform sampler2D t_terms_0;
uniform sampler2D t_terms_1;
#if PREWARP_CHANNELS > 2
uniform sampler2D t_terms_2;
#endif
#if PREWARP_CHANNELS > 3
uniform sampler2D t_terms_3;
#endif

out vec4 out_point;

vec4 prewarp_channel_sum(int channel, int row, vec2 st) {
    if (channel == 0) {
        return prewarp_panel_sum(t_terms_0, row, st);
    }
#if PREWARP_CHANNELS > 2
    if (channel == 2) {
        return prewarp_panel_sum(t_terms_2, row, st);
    }
#endif
#if PREWARP_CHANNELS > 3
    if (channel == 3) {
        return prewarp_panel_sum(t_terms_3, row, st);
    }
#endif
    return prewarp_panel_sum(t_terms_1, row, st);
}

vec2 prewarp_seen(int border, vec2 st) {
    int channel = border / 3;
    int plane = border - 3 * channel;
    vec4 both = prewarp_channel_sum(channel, plane / 2, st);
    return plane == 1 ? both.zw : both.xy;
}

vec2 prewarp_vertex(ivec2 texel, vec2 middle) {
    return prewarp_seen(texel.y, texelFetch(t_border_points, texel, 0).xy) - middle;
}

void main() {
    ivec2 texel = ivec2(gl_FragCoord.xy);
    float count = texelFetch(t_border_points, texel, 0).z;
    vec2 middle = prewarp_vertex(ivec2(0, texel.y), vec2(0.0));
    if (texel.x == 0) {
        out_point = vec4(middle, count, 0.0);
        return;
    }
    vec2 vertex = prewarp_vertex(texel, middle);
    float order = texel.x == 1 ? 0.0 : prewarp_turn_order(prewarp_vertex(ivec2(1, texel.y), middle), vertex);
    out_point = vec4(vertex, count, order);
}
