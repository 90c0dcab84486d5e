// False colour of blend weights, one channel: its tint times its weight where its panel is seen; channels add up.
// v_shown.z: weight where lit, v_depth > 0. v_green: place on the panel, 0 to 1. Draw with view_mesh.vert, PREWARP_NODE_VALUES 1.

uniform vec3 u_tint_linear;

in vec3 v_shown;
in float v_depth;
in vec2 v_green;
out vec4 out_linear;

void main() {
    vec2 aside = abs(v_green - 0.5);
    float on_panel = max(aside.x, aside.y) <= 0.5 && v_depth > 0.0 ? 1.0 : 0.0;
    out_linear = vec4(on_panel * clamp(v_shown.z, 0.0, 1.0) * u_tint_linear, 1.0);
}
