// Light of the content picture of the report's live page, as fine as panels are drawn: a level of means of light.
// t_content: content picture with its levels, which its sampler gives in linear light, filtered. u_size_px: of the target.

uniform sampler2D t_content;
uniform vec2 u_size_px;
uniform float u_level;

out vec4 out_linear;

void main() {
    out_linear = vec4(textureLod(t_content, gl_FragCoord.xy / u_size_px, u_level).rgb, 1.0);
}
