// View pass of the report's live page, one colour: light of the panel where it is seen; added to the view.
// t_panel_linear: panel, from decode_pass.frag; u_drawn_px: its width and height as drawn. u_plane: 0 red, 1 green, 2 blue.
// u_cells: cells of the mesh. u_exposure / v_gain: how bright the panel looks there; both 1 where no luminance is known.
// Triangles are straight where the mesh bends: in a cell cut from its first node to the opposite one, at (s, t), they are off by
// s (1 - s) along + t (1 - t) down + (min(s, t) - s t) across, to second order.

#include "sampling.glsl"

uniform sampler2D t_panel_linear;
uniform vec2 u_drawn_px;
uniform ivec2 u_cells;
uniform int u_plane;
uniform float u_exposure;

in vec2 v_place;
in float v_gain;
in vec2 v_along;
in vec2 v_down;
in vec2 v_across;
out vec4 out_linear;

void main() {
    vec2 part = fract(v_place);
    vec2 bent = part * (1.0 - part);
    float across = min(part.x, part.y) - part.x * part.y;
    vec2 panel_px = (v_place + bent.x * v_along + bent.y * v_down + across * v_across) * (u_drawn_px / vec2(u_cells));
    if (any(lessThan(panel_px, vec2(0.0))) || any(greaterThan(panel_px, u_drawn_px))) {
        discard;
    }
    float light_linear = prewarp_sample_edge_of(t_panel_linear, u_drawn_px, panel_px)[u_plane];
    out_linear = vec4(light_linear * u_exposure / v_gain);
}
