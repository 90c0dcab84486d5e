// Inverse of one channel's mesh: which panel points are seen at the nodes of a view, every u_pitch_px view px; 8 x 8 a group.
// t_seen_where, t_seen_red, t_seen_blue: the mesh for the true pupil (eye_mesh.comp). u_view_middle, u_view_scale: view px =
// middle + plane * scale. u_guess_*: node = guess_0 + guess_x * plane.x + guess_y * plane.y. u_first_px, u_step_px, u_panel_px.
// i_red_green, i_blue: panel places 0 to 1 (red u, v, green u, v), (blue u, v, 1 where found, -). Newton on the bilinear mesh;
// past its rim the mesh goes straight on. PREWARP_LIT 1: i_light, luminance of red, green, blue there, as a share of white.

#ifndef PREWARP_LIT
#define PREWARP_LIT 0
#endif

layout(local_size_x = 8, local_size_y = 8) in;
layout(rgba32f, binding = 0) writeonly uniform image2D i_red_green;
layout(rgba32f, binding = 1) writeonly uniform image2D i_blue;
#if PREWARP_LIT == 1
layout(rgba32f, binding = 2) writeonly uniform image2D i_light;
#endif

uniform sampler2D t_seen_where;
uniform sampler2D t_seen_red;
uniform sampler2D t_seen_blue;
uniform vec2 u_view_middle;
uniform vec2 u_view_scale;
uniform float u_pitch_px;
uniform vec2 u_guess_0;
uniform vec2 u_guess_x;
uniform vec2 u_guess_y;
uniform vec2 u_first_px;
uniform vec2 u_step_px;
uniform vec2 u_panel_px;

const int STEPS = 12;
// Nodes beyond the mesh to which it is continued, and the last step, in nodes, below which a point counts as found.
const float BEYOND = 6.0;
const float FOUND = 1e-4;

vec3 prewarp_mesh_at(sampler2D mesh, ivec2 cell, vec2 t) {
    vec3 a = texelFetch(mesh, cell, 0).xyz;
    vec3 b = texelFetch(mesh, cell + ivec2(1, 0), 0).xyz;
    vec3 c = texelFetch(mesh, cell + ivec2(0, 1), 0).xyz;
    vec3 d = texelFetch(mesh, cell + ivec2(1, 1), 0).xyz;
    return mix(mix(a, b, t.x), mix(c, d, t.x), t.y);
}

void main() {
    ivec2 place = ivec2(gl_GlobalInvocationID.xy);
    if (any(greaterThanEqual(place, imageSize(i_blue)))) {
        return;
    }
    vec2 target = (vec2(place) * u_pitch_px - u_view_middle) / u_view_scale;
    ivec2 last = textureSize(t_seen_where, 0) - 2;
    vec2 node = u_guess_0 + u_guess_x * target.x + u_guess_y * target.y;
    vec2 low = vec2(-BEYOND);
    vec2 high = vec2(last + 1) + BEYOND;
    bool found = false;
    for (int k = 0; k < STEPS && !found; ++k) {
        node = clamp(node, low, high);
        ivec2 cell = clamp(ivec2(floor(node)), ivec2(0), last);
        vec2 t = node - vec2(cell);
        vec2 a = texelFetch(t_seen_where, cell, 0).xy;
        vec2 b = texelFetch(t_seen_where, cell + ivec2(1, 0), 0).xy;
        vec2 c = texelFetch(t_seen_where, cell + ivec2(0, 1), 0).xy;
        vec2 d = texelFetch(t_seen_where, cell + ivec2(1, 1), 0).xy;
        vec2 rest = target - mix(mix(a, b, t.x), mix(c, d, t.x), t.y);
        vec2 across = mix(b - a, d - c, t.y);
        vec2 down = mix(c - a, d - b, t.x);
        float determinant = across.x * down.y - across.y * down.x;
        vec2 step = vec2(down.y * rest.x - down.x * rest.y, across.x * rest.y - across.y * rest.x) / determinant;
        node += step;
        found = max(abs(step.x), abs(step.y)) < FOUND;
    }
    found = found && all(greaterThanEqual(node, low)) && all(lessThanEqual(node, high));
    ivec2 cell = clamp(ivec2(floor(node)), ivec2(0), last);
    vec2 t = node - vec2(cell);
    vec2 green = (u_first_px + u_step_px * node) / u_panel_px;
    vec3 red = prewarp_mesh_at(t_seen_red, cell, t);
    vec3 blue = prewarp_mesh_at(t_seen_blue, cell, t);
    imageStore(i_red_green, place, vec4(red.xy / u_panel_px, green));
    imageStore(i_blue, place, vec4(blue.xy / u_panel_px, found ? 1.0 : 0.0, 0.0));
#if PREWARP_LIT == 1
    imageStore(i_light, place, vec4(red.z, prewarp_mesh_at(t_seen_where, cell, t).z, blue.z, 0.0));
#endif
}
