// View pass of the report's live page, one colour: light of the panel where it is seen; added to the view.
// t_panel_linear: panel, from decode_pass.frag; u_drawn_px: its width and height as drawn. u_plane: 0 red, 1 green, 2 blue.
// u_exposure / v_gain: how bright the panel looks there; both 1 where no luminance is known.

#include "sampling.glsl"

uniform sampler2D t_panel_linear;
uniform vec2 u_drawn_px;
uniform int u_plane;
uniform float u_exposure;

in vec2 v_panel;
in float v_gain;
out vec4 out_linear;

void main() {
    if (any(lessThan(v_panel, vec2(0.0))) || any(greaterThan(v_panel, vec2(1.0)))) {
        discard;
    }
    float light_linear = prewarp_sample_edge_of(t_panel_linear, u_drawn_px, v_panel * u_drawn_px)[u_plane];
    out_linear = vec4(light_linear * u_exposure / v_gain);
}
