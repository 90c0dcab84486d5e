// Vertex-mesh path, vertex stage: node -> its place on the panel, and content point and gain per colour.
// in_panel_px: node, panel px. in_direction_*: direction it is seen in, tangents. in_gain_*: gain on linear light, 0 to 1.

#include "mesh_vertex.glsl"

in vec2 in_panel_px;
in vec2 in_direction_red;
in vec2 in_direction_green;
in vec2 in_direction_blue;
in float in_gain_red;
in float in_gain_green;
in float in_gain_blue;

void main() {
    vec3 gain = vec3(in_gain_red, in_gain_green, in_gain_blue);
    prewarp_mesh_vertex(in_panel_px, in_direction_red, in_direction_green, in_direction_blue, gain);
}
