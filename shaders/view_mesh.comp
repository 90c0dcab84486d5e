// View pass as a compute stage: light of up to 4 panels (PREWARP_CHANNELS) where they are seen, added up; 16 x 16 pixels a group.
// t_red_green_*, t_blue_*: panel places at the view's nodes, 8 px apart (view_nodes.comp): 3 x 3 of them in a group's tile.
// t_panel_*_linear: light of the panels. i_view: the view, row 0 the top; sRGB bytes, or with PREWARP_AS_LIGHT 1 light as halves.
// Cells with a node that was not found stay dark. PREWARP_LIT 1: t_light_*, luminance at those nodes as a share of white.

#include "encoding.glsl"

#ifndef PREWARP_CHANNELS
#define PREWARP_CHANNELS 2
#endif

#ifndef PREWARP_AS_LIGHT
#define PREWARP_AS_LIGHT 0
#endif

#ifndef PREWARP_LIT
#define PREWARP_LIT 0
#endif

layout(local_size_x = 16, local_size_y = 16) in;
#if PREWARP_AS_LIGHT == 1
layout(rgba16f, binding = 0) writeonly uniform image2D i_view;
#else
layout(rgba8, binding = 0) writeonly uniform image2D i_view;
#endif

uniform sampler2D t_red_green_0;
uniform sampler2D t_blue_0;
uniform sampler2D t_panel_0_linear;
#if PREWARP_LIT == 1
uniform sampler2D t_light_0;
#endif
#if PREWARP_CHANNELS > 1
uniform sampler2D t_red_green_1;
uniform sampler2D t_blue_1;
uniform sampler2D t_panel_1_linear;
#if PREWARP_LIT == 1
uniform sampler2D t_light_1;
#endif
#endif
#if PREWARP_CHANNELS > 2
uniform sampler2D t_red_green_2;
uniform sampler2D t_blue_2;
uniform sampler2D t_panel_2_linear;
#if PREWARP_LIT == 1
uniform sampler2D t_light_2;
#endif
#endif
#if PREWARP_CHANNELS > 3
uniform sampler2D t_red_green_3;
uniform sampler2D t_blue_3;
uniform sampler2D t_panel_3_linear;
#if PREWARP_LIT == 1
uniform sampler2D t_light_3;
#endif
#endif

shared vec4 s_red_green[9 * PREWARP_CHANNELS];
shared vec4 s_blue[9 * PREWARP_CHANNELS];
#if PREWARP_LIT == 1
shared vec3 s_light[9 * PREWARP_CHANNELS];
#endif

ivec2 prewarp_node(sampler2D nodes, int k, ivec2 corner) {
    return min(corner + ivec2(k % 3, k / 3), textureSize(nodes, 0) - 1);
}

void prewarp_load(sampler2D red_green, sampler2D blue, int first, int k, ivec2 corner) {
    ivec2 node = prewarp_node(red_green, k, corner);
    s_red_green[first + k] = texelFetch(red_green, node, 0);
    s_blue[first + k] = texelFetch(blue, node, 0);
}

#if PREWARP_LIT == 1
void prewarp_load_light(sampler2D light, int first, int k, ivec2 corner) {
    s_light[first + k] = texelFetch(light, prewarp_node(light, k, corner), 0).rgb;
}
#endif

vec3 prewarp_seen(sampler2D panel_linear, int k, vec2 t) {
    float found = s_blue[k].z * s_blue[k + 1].z * s_blue[k + 3].z * s_blue[k + 4].z;
    if (found == 0.0) {
        return vec3(0.0);
    }
    vec4 red_green = mix(mix(s_red_green[k], s_red_green[k + 1], t.x), mix(s_red_green[k + 3], s_red_green[k + 4], t.x), t.y);
    vec2 blue = mix(mix(s_blue[k].xy, s_blue[k + 1].xy, t.x), mix(s_blue[k + 3].xy, s_blue[k + 4].xy, t.x), t.y);
    vec3 light_linear = vec3(
        textureLod(panel_linear, red_green.xy, 0.0).r,
        textureLod(panel_linear, red_green.zw, 0.0).g,
        textureLod(panel_linear, blue, 0.0).b);
#if PREWARP_LIT == 1
    light_linear *= mix(mix(s_light[k], s_light[k + 1], t.x), mix(s_light[k + 3], s_light[k + 4], t.x), t.y);
#endif
    return light_linear;
}

void main() {
    int index = int(gl_LocalInvocationIndex);
    if (index < 9) {
        ivec2 corner = ivec2(gl_WorkGroupID.xy) * 2;
        prewarp_load(t_red_green_0, t_blue_0, 0, index, corner);
#if PREWARP_LIT == 1
        prewarp_load_light(t_light_0, 0, index, corner);
#endif
#if PREWARP_CHANNELS > 1
        prewarp_load(t_red_green_1, t_blue_1, 9, index, corner);
#if PREWARP_LIT == 1
        prewarp_load_light(t_light_1, 9, index, corner);
#endif
#endif
#if PREWARP_CHANNELS > 2
        prewarp_load(t_red_green_2, t_blue_2, 18, index, corner);
#if PREWARP_LIT == 1
        prewarp_load_light(t_light_2, 18, index, corner);
#endif
#endif
#if PREWARP_CHANNELS > 3
        prewarp_load(t_red_green_3, t_blue_3, 27, index, corner);
#if PREWARP_LIT == 1
        prewarp_load_light(t_light_3, 27, index, corner);
#endif
#endif
    }
    barrier();
    ivec2 pixel = ivec2(gl_GlobalInvocationID.xy);
    if (any(greaterThanEqual(pixel, imageSize(i_view)))) {
        return;
    }
    ivec2 cell = ivec2(gl_LocalInvocationID.xy) / 8;
    vec2 t = (vec2(gl_LocalInvocationID.xy) + 0.5) / 8.0 - vec2(cell);
    int k = cell.y * 3 + cell.x;
    vec3 light_linear = prewarp_seen(t_panel_0_linear, k, t);
#if PREWARP_CHANNELS > 1
    light_linear += prewarp_seen(t_panel_1_linear, 9 + k, t);
#endif
#if PREWARP_CHANNELS > 2
    light_linear += prewarp_seen(t_panel_2_linear, 18 + k, t);
#endif
#if PREWARP_CHANNELS > 3
    light_linear += prewarp_seen(t_panel_3_linear, 27 + k, t);
#endif
#if PREWARP_AS_LIGHT == 1
    imageStore(i_view, pixel, vec4(light_linear, 1.0));
#else
    imageStore(i_view, pixel, vec4(prewarp_srgb_from_linear(light_linear), 1.0));
#endif
}
