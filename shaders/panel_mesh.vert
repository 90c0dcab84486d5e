// Panel pass over a mesh: node -> its place on the panel, and content point and weight per colour.
// t_mesh_*: content u, v px, weight of every node (eye_mesh.frag). u_first_px, u_step_px: places of nodes, panel px.
// u_panel_px, u_content_px: sizes, width and height. Draw triangles whose indices number the nodes row by row.

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform vec2 u_first_px;
uniform vec2 u_step_px;
uniform vec2 u_panel_px;
uniform vec2 u_content_px;

out vec3 v_red;
out vec3 v_green;
out vec3 v_blue;
// Degrees inside what the channel shows, in the directions of red and blue.
out vec2 v_depth;

vec3 prewarp_shown_at(sampler2D mesh, ivec2 node) {
    vec3 value = texelFetch(mesh, node, 0).xyz;
    return vec3(value.xy / u_content_px, value.z);
}

void main() {
    int columns = textureSize(t_mesh_green, 0).x;
    ivec2 node = ivec2(gl_VertexID % columns, gl_VertexID / columns);
    v_red = prewarp_shown_at(t_mesh_red, node);
    v_green = prewarp_shown_at(t_mesh_green, node);
    v_blue = prewarp_shown_at(t_mesh_blue, node);
    v_depth = vec2(texelFetch(t_mesh_red, node, 0).w, texelFetch(t_mesh_blue, node, 0).w);
    gl_Position = vec4(2.0 * (u_first_px + u_step_px * vec2(node)) / u_panel_px - 1.0, 0.0, 1.0);
}
