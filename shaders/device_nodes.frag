// Meshes on the GPU, second pass, once for every pupil position: terms over the panel -> directions and gains of mesh nodes.
// t_terms: from device_prepare.frag. Target: PREWARP_COLUMNS x 3 PREWARP_ROWS, 32-bit floats: rows of nodes, evenly spaced from
// edge to edge, of directions (red x, y, green x, y), tangents; then of (blue x, y, -, -); then of gains on linear light (red,
// green, blue, -). PREWARP_GAINED 1: t_gain_numbers, logarithm of gains: columns: panel terms, rows: functions of where the
// ray crosses z = 0, from u_gain_middle_*_mm in units of u_gain_half_*_mm (red, green, blue). Draw it with picture.vert.
// Python twins: prewarp.lookup.device.PreparedMap.mesh, prewarp.lookup.device_light.PreparedLight.gain.

#include "panel_terms.glsl"

#ifndef PREWARP_COLUMNS
#define PREWARP_COLUMNS 2
#endif
#ifndef PREWARP_ROWS
#define PREWARP_ROWS 2
#endif
#ifndef PREWARP_GAINED
#define PREWARP_GAINED 0
#endif
#ifndef PREWARP_GAIN_DEGREE
#define PREWARP_GAIN_DEGREE 4
#endif
#ifndef PREWARP_GAIN_PUPIL_DEGREE
#define PREWARP_GAIN_PUPIL_DEGREE 2
#endif

uniform sampler2D t_terms;

out vec4 out_node;

#if PREWARP_GAINED == 1
#include "pupil.glsl"

uniform sampler2D t_gain_numbers;
uniform vec3 u_gain_middle_x_mm;
uniform vec3 u_gain_middle_y_mm;
uniform vec3 u_gain_half_x_mm;
uniform vec3 u_gain_half_y_mm;

// Of red, green, blue seen in directions of tangents x and y.
vec3 prewarp_gains(vec2 st, vec3 tangent_x, vec3 tangent_y) {
    vec3 pupil_mm = prewarp_pupil_mm();
    vec3 x = clamp((pupil_mm.x - pupil_mm.z * tangent_x - u_gain_middle_x_mm) / u_gain_half_x_mm, vec3(-1.0), vec3(1.0));
    vec3 y = clamp((pupil_mm.y - pupil_mm.z * tangent_y - u_gain_middle_y_mm) / u_gain_half_y_mm, vec3(-1.0), vec3(1.0));
    vec3 in_x[PREWARP_GAIN_PUPIL_DEGREE + 2];
    vec3 in_y[PREWARP_GAIN_PUPIL_DEGREE + 2];
    in_x[0] = vec3(1.0);
    in_y[0] = vec3(1.0);
    in_x[1] = x;
    in_y[1] = y;
    for (int k = 2; k <= PREWARP_GAIN_PUPIL_DEGREE; ++k) {
        in_x[k] = 2.0 * x * in_x[k - 1] - in_x[k - 2];
        in_y[k] = 2.0 * y * in_y[k - 1] - in_y[k - 2];
    }
    vec2 values[PREWARP_GAIN_DEGREE + 2];
    values[0] = vec2(1.0);
    values[1] = st;
    for (int k = 2; k <= PREWARP_GAIN_DEGREE; ++k) {
        values[k] = 2.0 * st * values[k - 1] - values[k - 2];
    }
    vec3 total = vec3(0.0);
    for (int sum = 0; sum <= PREWARP_GAIN_DEGREE; ++sum) {
        for (int b = 0; b <= sum; ++b) {
            ivec2 place = ivec2((sum * (sum + 1)) / 2 + b, 0);
            vec3 inner = vec3(0.0);
            for (int all = 0; all <= PREWARP_GAIN_PUPIL_DEGREE; ++all) {
                for (int d = 0; d <= all; ++d) {
                    inner += texelFetch(t_gain_numbers, place, 0).rgb * in_x[all - d] * in_y[d];
                    ++place.y;
                }
            }
            total += inner * (values[sum - b].x * values[b].y);
        }
    }
    return exp(total);
}
#endif

void main() {
    ivec2 texel = ivec2(gl_FragCoord.xy);
    int block = texel.y / PREWARP_ROWS;
    ivec2 node = ivec2(texel.x, texel.y - block * PREWARP_ROWS);
    ivec2 last = ivec2(PREWARP_COLUMNS - 1, PREWARP_ROWS - 1);
    vec2 st = vec2(2 * node - last) / vec2(last);
    if (block < 2) {
        out_node = prewarp_panel_sum(t_terms, block, st);
        return;
    }
#if PREWARP_GAINED == 1
    vec4 red_green = prewarp_panel_sum(t_terms, 0, st);
    vec2 blue = prewarp_panel_sum(t_terms, 1, st).xy;
    vec3 gain = prewarp_gains(st, vec3(red_green.xz, blue.x), vec3(red_green.yw, blue.y));
#else
    vec3 gain = vec3(1.0);
#endif
    out_node = vec4(gain, 0.0);
}
