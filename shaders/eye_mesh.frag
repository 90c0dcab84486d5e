// Mesh of one channel for a pupil, one fragment per node; the targets have as many texels as the mesh has nodes.
// out_first, out_second, out_third: see eye_mesh.glsl. Tables: t_pair, t_single.

#include "eye_mesh.glsl"

layout(location = 0) out vec4 out_first;
layout(location = 1) out vec4 out_second;
layout(location = 2) out vec4 out_third;

uniform int u_rows;

void main() {
    prewarp_eye_node(ivec2(gl_FragCoord.xy), u_rows, out_first, out_second, out_third);
}
