// View pass over a channel's mesh: node -> where it is seen in the view, and the panel point per colour seen there.
// t_seen_where: plane coordinates of every node; t_seen_red, t_seen_blue: panel px seen there (eye_mesh.frag, PW_SIDE 1).
// u_first_px, u_step_px, u_panel_px: nodes on the panel. u_view_middle, u_view_scale: view px = middle + plane * scale.
// u_view_px: size of the view; row 0 of the target is the view's top row.
// PW_NODE_VALUES 1: also v_shown, the content point, px, and weight that the node shows in green (t_mesh_green, eye_mesh.frag).

#ifndef PW_NODE_VALUES
#define PW_NODE_VALUES 0
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

#if PW_NODE_VALUES == 1
uniform sampler2D t_mesh_green;
out vec3 v_shown;
#endif

out vec2 v_red;
out vec2 v_green;
out vec2 v_blue;

void main() {
    int columns = textureSize(t_seen_where, 0).x;
    ivec2 node = ivec2(gl_VertexID % columns, gl_VertexID / columns);
    v_red = texelFetch(t_seen_red, node, 0).xy / u_panel_px;
    v_green = (u_first_px + u_step_px * vec2(node)) / u_panel_px;
    v_blue = texelFetch(t_seen_blue, node, 0).xy / u_panel_px;
#if PW_NODE_VALUES == 1
    v_shown = texelFetch(t_mesh_green, node, 0).xyz;
#endif
    vec2 pixel = u_view_middle + texelFetch(t_seen_where, node, 0).xy * u_view_scale;
    gl_Position = vec4(2.0 * pixel / u_view_px - 1.0, 0.0, 1.0);
}
