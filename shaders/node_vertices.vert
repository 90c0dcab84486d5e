// Nodes of a mesh as the vertices that a device's vertex-mesh path takes (device_mesh.vert), captured into a buffer.
// t_mesh_*: content u, v px, gain of every node (eye_mesh.frag). u_first_px, u_step_px: places of nodes, panel px.
// Content px = u_content_middle + plane * u_content_scale (projection.glsl). v_direction_*: tangents. Draw a point per
// node.

#include "projection.glsl"

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform vec2 u_first_px;
uniform vec2 u_step_px;
uniform vec2 u_content_middle;
uniform vec2 u_content_scale;

out vec2 v_panel_px;
out vec2 v_direction_red;
out vec2 v_direction_green;
out vec2 v_direction_blue;
out float v_gain_red;
out float v_gain_green;
out float v_gain_blue;

vec2 prewarp_direction(vec3 shown) {
    return prewarp_tangent_from_plane((shown.xy - u_content_middle) / u_content_scale);
}

void main() {
    int columns = textureSize(t_mesh_green, 0).x;
    ivec2 node = ivec2(gl_VertexID % columns, gl_VertexID / columns);
    vec3 red = texelFetch(t_mesh_red, node, 0).xyz;
    vec3 green = texelFetch(t_mesh_green, node, 0).xyz;
    vec3 blue = texelFetch(t_mesh_blue, node, 0).xyz;
    v_panel_px = u_first_px + u_step_px * vec2(node);
    v_direction_red = prewarp_direction(red);
    v_direction_green = prewarp_direction(green);
    v_direction_blue = prewarp_direction(blue);
    v_gain_red = red.z;
    v_gain_green = green.z;
    v_gain_blue = blue.z;
    gl_Position = vec4(0.0, 0.0, 0.0, 1.0);
}
