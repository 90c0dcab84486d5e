// Provides: prewarp_panel_sum: what a row of a texture of terms says at a panel place (s, t), -1 to 1; four sums at once.
// Needs: texel k of a row: coefficient of T_i(s) T_j(t), k = (i + j)(i + j + 1) / 2 + j, i + j up to PREWARP_DEGREE.
// s = 2 u / width - 1, t = 2 v / height - 1. Python twin: prewarp.lookup.device.PreparedMap.

#ifndef PREWARP_DEGREE
#define PREWARP_DEGREE 8
#endif

vec4 prewarp_panel_sum(sampler2D terms, int row, vec2 st) {
    vec2 values[PREWARP_DEGREE + 2];
    values[0] = vec2(1.0);
    values[1] = st;
    for (int k = 2; k <= PREWARP_DEGREE; ++k) {
        values[k] = 2.0 * st * values[k - 1] - values[k - 2];
    }
    vec4 total = vec4(0.0);
    for (int j = 0; j <= PREWARP_DEGREE; ++j) {
        vec4 line = vec4(0.0);
        for (int i = 0; i <= PREWARP_DEGREE - j; ++i) {
            line += texelFetch(terms, ivec2(((i + j) * (i + j + 1)) / 2 + j, row), 0) * values[i].x;
        }
        total += line * values[j].y;
    }
    return total;
}
