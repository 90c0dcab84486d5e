// Meshes on the GPU, first pass, once for every pupil position: sums over pupil functions -> terms over the panel.
// t_numbers: column k: term T_i(s) T_j(t), k = (i + j)(i + j + 1) / 2 + j; rows: all pupil functions T_a(x) T_b(y) T_c(z), by
// total degree, then rising c, then b, of (red x, y, green x, y), then all of (blue x, y, -, -); tangents.
// Target: as many columns, two rows (red and green; blue), 32-bit floats. Draw it with picture.vert, three vertices.
// Python twin: prewarp.lookup.device.prepare.

#include "pupil.glsl"

#ifndef PREWARP_PUPIL_DEGREE
#define PREWARP_PUPIL_DEGREE 4
#endif
#define PREWARP_PUPIL_FUNCTIONS (((PREWARP_PUPIL_DEGREE + 1) * (PREWARP_PUPIL_DEGREE + 2) * (PREWARP_PUPIL_DEGREE + 3)) / 6)

uniform sampler2D t_numbers;

out vec4 out_terms;

void main() {
    ivec2 texel = ivec2(gl_FragCoord.xy);
    vec3 unit = prewarp_unit_pupil();
    // T_k of x, y, z.
    vec3 values[PREWARP_PUPIL_DEGREE + 2];
    values[0] = vec3(1.0);
    values[1] = unit;
    for (int k = 2; k <= PREWARP_PUPIL_DEGREE; ++k) {
        values[k] = 2.0 * unit * values[k - 1] - values[k - 2];
    }
    vec4 total = vec4(0.0);
    int row = texel.y * PREWARP_PUPIL_FUNCTIONS;
    for (int sum = 0; sum <= PREWARP_PUPIL_DEGREE; ++sum) {
        for (int c = 0; c <= sum; ++c) {
            for (int b = 0; b <= sum - c; ++b) {
                float value = values[sum - c - b].x * values[b].y * values[c].z;
                total += value * texelFetch(t_numbers, ivec2(texel.x, row), 0);
                ++row;
            }
        }
    }
    out_terms = total;
}
