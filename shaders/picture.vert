// One triangle that covers the target; needs no input. Draw three vertices; read positions from gl_FragCoord.

void main() {
    vec2 corner = vec2(gl_VertexID == 1 ? 2.0 : 0.0, gl_VertexID == 2 ? 2.0 : 0.0);
    gl_Position = vec4(2.0 * corner - 1.0, 0.0, 1.0);
}
