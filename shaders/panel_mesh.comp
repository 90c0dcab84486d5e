// Panel pass over a mesh as a compute stage: content light times blend weight, as the panel can give it; 16 x 16 pixels a group.
// t_mesh_*: content u, v px, weight of every node (eye_mesh.comp). t_content_linear: its sampler gives light, black outside.
// u_first_px, u_step_px: places of nodes, px of the image written. u_content_px: width and height. i_light: light of the panel.
// PREWARP_TILE_NODES: nodes each way that a group may touch: 16 / step + 3. Between nodes a mesh is bilinear.

#define PREWARP_ROUNDED 1
#include "panel_light.glsl"

#ifndef PREWARP_TILE_NODES
#define PREWARP_TILE_NODES 4
#endif

layout(local_size_x = 16, local_size_y = 16) in;
layout(rgba16f, binding = 0) writeonly uniform image2D i_light;

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform sampler2D t_content_linear;
uniform vec2 u_first_px;
uniform vec2 u_step_px;
uniform vec2 u_content_px;

shared vec4 s_red[PREWARP_TILE_NODES * PREWARP_TILE_NODES];
shared vec3 s_green[PREWARP_TILE_NODES * PREWARP_TILE_NODES];
shared vec4 s_blue[PREWARP_TILE_NODES * PREWARP_TILE_NODES];

vec3 prewarp_between(vec3 a, vec3 b, vec3 c, vec3 d, vec2 t) {
    return mix(mix(a, b, t.x), mix(c, d, t.x), t.y);
}

vec4 prewarp_between(vec4 a, vec4 b, vec4 c, vec4 d, vec2 t) {
    return mix(mix(a, b, t.x), mix(c, d, t.x), t.y);
}

void main() {
    ivec2 last = textureSize(t_mesh_green, 0) - 1;
    ivec2 corner = ivec2(floor((vec2(gl_WorkGroupID.xy * 16u) - u_first_px) / u_step_px));
    for (int k = int(gl_LocalInvocationIndex); k < PREWARP_TILE_NODES * PREWARP_TILE_NODES; k += 256) {
        ivec2 node = clamp(corner + ivec2(k % PREWARP_TILE_NODES, k / PREWARP_TILE_NODES), ivec2(0), last);
        s_red[k] = texelFetch(t_mesh_red, node, 0);
        s_green[k] = texelFetch(t_mesh_green, node, 0).xyz;
        s_blue[k] = texelFetch(t_mesh_blue, node, 0);
    }
    barrier();
    ivec2 pixel = ivec2(gl_GlobalInvocationID.xy);
    if (any(greaterThanEqual(pixel, imageSize(i_light)))) {
        return;
    }
    vec2 place = (vec2(pixel) + 0.5 - u_first_px) / u_step_px - vec2(corner);
    ivec2 cell = min(ivec2(place), ivec2(PREWARP_TILE_NODES - 2));
    vec2 t = place - vec2(cell);
    int k = cell.y * PREWARP_TILE_NODES + cell.x;
    vec4 red = prewarp_between(s_red[k], s_red[k + 1], s_red[k + PREWARP_TILE_NODES], s_red[k + PREWARP_TILE_NODES + 1], t);
    vec3 green =
        prewarp_between(s_green[k], s_green[k + 1], s_green[k + PREWARP_TILE_NODES], s_green[k + PREWARP_TILE_NODES + 1], t);
    vec4 blue = prewarp_between(s_blue[k], s_blue[k + 1], s_blue[k + PREWARP_TILE_NODES], s_blue[k + PREWARP_TILE_NODES + 1], t);
    vec3 light_linear = vec3(
        textureLod(t_content_linear, red.xy / u_content_px, 0.0).r * red.z,
        textureLod(t_content_linear, green.xy / u_content_px, 0.0).g * green.z,
        textureLod(t_content_linear, blue.xy / u_content_px, 0.0).b * blue.z);
    // Degrees inside what the channel shows; green looks between red and blue.
    light_linear *= vec3(greaterThan(vec3(red.w, red.w + blue.w, blue.w), vec3(0.0)));
    imageStore(i_light, pixel, vec4(prewarp_panel_light(light_linear), 1.0));
}
