// View pass, one channel: view pixel -> panel point per colour -> linear light; the target adds up the channels.
// t_mesh_*: spline coefficients (panel u, panel v px, luminance at full drive, depth inside what is lit) over the view.
// t_panel_linear: panel, linear light, top row 0.
// u_nodes_per_px: nodes per view pixel along x, y. The target's row 0 is the view's top row.

#include "spline.glsl"
#include "sampling.glsl"

uniform sampler2D t_mesh_red;
uniform sampler2D t_mesh_green;
uniform sampler2D t_mesh_blue;
uniform sampler2D t_panel_linear;
uniform vec2 u_nodes_per_px;

out vec4 out_linear;

vec3 prewarp_seen(sampler2D mesh, vec2 place) {
    vec4 seen = prewarp_spline(mesh, place);
    vec2 pixel = seen.xy;
    vec2 size = vec2(textureSize(t_panel_linear, 0));
    bool on_panel = pixel.x >= 0.0 && pixel.y >= 0.0 && pixel.x <= size.x && pixel.y <= size.y;
    return on_panel && seen.w > 0.0 ? seen.z * prewarp_sample_edge(t_panel_linear, pixel).rgb : vec3(0.0);
}

void main() {
    vec2 place = gl_FragCoord.xy * u_nodes_per_px;
    out_linear = vec4(prewarp_seen(t_mesh_red, place).r, prewarp_seen(t_mesh_green, place).g,
                      prewarp_seen(t_mesh_blue, place).b, 1.0);
}
