// View pass of the report's live page: light of a panel where it is seen, red, green and blue; added to the view.
// t_red, t_green, t_blue: light of the panel, from decode_pass.frag; u_drawn_px: width and height of the panel as drawn.
// u_nodes: of its mesh. u_exposure / v_gain: how bright the panel looks there; both 1 where no luminance is known. A colour ends
// where its panel does.

#include "bent_cell.glsl"

uniform sampler2D t_red;
uniform sampler2D t_green;
uniform sampler2D t_blue;
uniform vec2 u_drawn_px;
uniform ivec2 u_nodes;
uniform float u_exposure;

in vec2 v_red;
in vec2 v_green;
in vec2 v_blue;
in vec3 v_gain;
in vec2 v_along;
in vec2 v_down;
in vec2 v_across;
out vec4 out_linear;

float prewarp_plane_light(sampler2D plane, vec2 panel_px) {
    vec2 last = u_drawn_px - 1.0;
    vec2 place = clamp(panel_px - 0.5, vec2(0.0), last);
    ivec2 texel = ivec2(place);
    ivec2 next = min(texel + 1, ivec2(last));
    vec2 t = place - vec2(texel);
    float top = mix(texelFetch(plane, texel, 0).r, texelFetch(plane, ivec2(next.x, texel.y), 0).r, t.x);
    float bottom = mix(texelFetch(plane, ivec2(texel.x, next.y), 0).r, texelFetch(plane, next, 0).r, t.x);
    vec2 inside = step(vec2(0.0), panel_px) * step(panel_px, u_drawn_px);
    return mix(top, bottom, t.y) * inside.x * inside.y;
}

void main() {
    vec2 per_cell = u_drawn_px / vec2(u_nodes - 1);
    vec2 bent = prewarp_bent(v_green, v_along, v_down, v_across);
    vec3 light_linear = vec3(
        prewarp_plane_light(t_red, (v_red + bent) * per_cell),
        prewarp_plane_light(t_green, (v_green + bent) * per_cell),
        prewarp_plane_light(t_blue, (v_blue + bent) * per_cell));
    out_linear = vec4(light_linear * (u_exposure / v_gain), 1.0);
}
