// First pass of the seam error, one channel: the direction that the content seen here was meant for, and its negative, and the
// channel's number u_channel and its negative.
// Draw every channel with view_mesh.vert, PREWARP_NODE_VALUES 1, keeping the largest of each component: that is the spread.
// u_content_middle, u_content_scale: content px = middle + plane * scale. The targets start below every tangent.

#include "projection.glsl"

uniform vec2 u_content_middle;
uniform vec2 u_content_scale;
uniform float u_channel;

in vec3 v_shown;
in float v_depth;
in vec2 v_green;
layout(location = 0) out vec4 out_spread;
layout(location = 1) out vec4 out_channels;

void main() {
    vec2 aside = abs(v_green - 0.5);
    // Off the panel, or not lit for white.
    if (max(aside.x, aside.y) > 0.5 || v_depth <= 0.0) {
        discard;
    }
    vec2 tangent = prewarp_tangent_from_plane((v_shown.xy - u_content_middle) / u_content_scale);
    out_spread = vec4(tangent, -tangent);
    out_channels = vec4(u_channel, -u_channel, 0.0, 0.0);
}
