// Decode pass: panel codes -> linear light, once per panel picture, so that the view pass samples light.
// t_panel_encoded: panel picture, 0 to 1. t_light: one row, light of every code. The target has the panel's size.

uniform sampler2D t_panel_encoded;
uniform sampler2D t_light;

out vec4 out_linear;

float pw_light_of(float value_encoded) {
    int largest = textureSize(t_light, 0).x - 1;
    return texelFetch(t_light, ivec2(int(floor(value_encoded * float(largest) + 0.5)), 0), 0).r;
}

void main() {
    vec3 value_encoded = texelFetch(t_panel_encoded, ivec2(gl_FragCoord.xy), 0).rgb;
    out_linear = vec4(pw_light_of(value_encoded.r), pw_light_of(value_encoded.g), pw_light_of(value_encoded.b), 1.0);
}
