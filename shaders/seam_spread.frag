// First pass of the seam error, one channel: the direction that the content seen here was meant for, and its negative.
// Draw every channel with view_mesh.vert, PREWARP_NODE_VALUES 1, keeping the largest of each component: that is the spread.
// u_content_middle, u_content_scale: content px = middle + plane * scale. The target starts below every tangent.

#include "projection.glsl"

uniform vec2 u_content_middle;
uniform vec2 u_content_scale;

in vec3 v_shown;
in vec2 v_green;
out vec4 out_spread;

void main() {
    vec2 aside = abs(v_green - 0.5);
    if (max(aside.x, aside.y) > 0.5) {
        discard;
    }
    vec2 tangent = prewarp_tangent_from_plane((v_shown.xy - u_content_middle) / u_content_scale);
    out_spread = vec4(tangent, -tangent);
}
