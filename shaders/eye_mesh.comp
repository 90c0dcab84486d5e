// Mesh of one channel for a pupil, one invocation per node; the images have as many texels as the mesh has nodes.
// i_first, i_second, i_third: see eye_mesh.glsl. Tables: t_pair, t_single. Groups of 8 x 8 nodes.

#include "eye_mesh.glsl"

layout(local_size_x = 8, local_size_y = 8) in;
layout(rgba32f, binding = 0) writeonly uniform image2D i_first;
layout(rgba32f, binding = 1) writeonly uniform image2D i_second;
layout(rgba32f, binding = 2) writeonly uniform image2D i_third;

uniform int u_rows;

void main() {
    ivec2 node = ivec2(gl_GlobalInvocationID.xy);
    if (any(greaterThanEqual(node, imageSize(i_first)))) {
        return;
    }
    vec4 first;
    vec4 second;
    vec4 third;
    prewarp_eye_node(node, u_rows, first, second, third);
    imageStore(i_first, node, first);
    imageStore(i_second, node, second);
    imageStore(i_third, node, third);
}
