// View pass over a channel's mesh: node -> where it is seen in the view, and the panel point per colour seen there.
// t_seen_where: plane coordinates of every node; t_seen_red, t_seen_blue: panel px seen there (eye_mesh.frag, PREWARP_SIDE 1).
// u_first_px, u_step_px, u_panel_px: nodes on the panel. u_view_middle, u_view_scale: view px = middle + plane * scale.
// u_view_px: size of the view; row 0 of the target is the view's top row.
// PREWARP_NODE_VALUES 1: also v_shown, the content point, px, and blend weight where lit, in green (t_mesh_*, eye_mesh.frag).
// PREWARP_LIT 1: also v_light, luminance of red, green, blue as a share of white.

#ifndef PREWARP_NODE_VALUES
#define PREWARP_NODE_VALUES 0
#endif
#ifndef PREWARP_LIT
#define PREWARP_LIT 0
#endif

uniform sampler2D t_seen_where;
uniform sampler2D t_seen_red;
uniform sampler2D t_seen_blue;
uniform vec2 u_first_px;
uniform vec2 u_step_px;
uniform vec2 u_panel_px;
uniform vec2 u_view_middle;
uniform vec2 u_view_scale;
uniform vec2 u_view_px;

#if PREWARP_NODE_VALUES == 1
uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
out vec3 v_shown;
// Degrees inside what the channel shows; green looks between red and blue.
out float v_depth;
#endif

#if PREWARP_LIT == 1
out vec3 v_light;
#endif

out vec2 v_red;
out vec2 v_green;
out vec2 v_blue;

void main() {
    int columns = textureSize(t_seen_where, 0).x;
    ivec2 node = ivec2(gl_VertexID % columns, gl_VertexID / columns);
    vec3 where = texelFetch(t_seen_where, node, 0).xyz;
    vec3 red = texelFetch(t_seen_red, node, 0).xyz;
    vec3 blue = texelFetch(t_seen_blue, node, 0).xyz;
    v_red = red.xy / u_panel_px;
    v_green = (u_first_px + u_step_px * vec2(node)) / u_panel_px;
    v_blue = blue.xy / u_panel_px;
#if PREWARP_NODE_VALUES == 1
    v_shown = texelFetch(t_mesh_green, node, 0).xyw;
    v_depth = 0.5 * (texelFetch(t_mesh_red, node, 0).w + texelFetch(t_mesh_blue, node, 0).w);
#endif
#if PREWARP_LIT == 1
    v_light = vec3(red.z, where.z, blue.z);
#endif
    vec2 pixel = u_view_middle + where.xy * u_view_scale;
    gl_Position = vec4(2.0 * pixel / u_view_px - 1.0, 0.0, 1.0);
}
