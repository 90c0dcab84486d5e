// Vertex-mesh path, fragment stage: content point and drive per colour, between nodes -> panel codes, encoded, 0 to 1.

#include "panel_place.glsl"
#include "panel_codes.glsl"

in vec3 v_red;
in vec3 v_green;
in vec3 v_blue;

out vec4 out_encoded;

void main() {
    out_encoded = vec4(prewarp_panel_codes(v_red, v_green, v_blue, ivec2(prewarp_panel_pixel())), 1.0);
}
