// Provides: prewarp_eye_sums: what a mesh node shows for a reference pupil, sum_j Q_j(x0, y0) B_j; prewarp_tangent_from_cosine.
// Needs: t_pair, t_single: B of node (column, row), pupil function j at texel (column, row + rows * j); u_half_mm: divides the
//        reference pupil, mm; PREWARP_PUPIL_DEGREE: total degree of the Chebyshev basis Q, graded order.
// pair.xy, pair.zw, single: three vectors per node; which, the stage that uses them says. log_light: logarithm of luminance of
// red, green, blue, from t_log_light where PREWARP_LIT is 1, else 0.
// Python twin: prewarp.render.live.eye_table.EyeTable.

#ifndef PREWARP_PUPIL_DEGREE
#define PREWARP_PUPIL_DEGREE 5
#endif
#ifndef PREWARP_LIT
#define PREWARP_LIT 0
#endif

uniform sampler2D t_pair;
uniform sampler2D t_single;
#if PREWARP_LIT == 1
uniform sampler2D t_log_light;
#endif
uniform vec2 u_half_mm;

void prewarp_eye_sums(ivec2 node, int rows, vec2 reference_mm, out vec4 pair, out vec2 single, out vec3 log_light) {
    vec2 place = reference_mm / u_half_mm;
    float in_x[PREWARP_PUPIL_DEGREE + 1];
    float in_y[PREWARP_PUPIL_DEGREE + 1];
    in_x[0] = 1.0;
    in_y[0] = 1.0;
#if PREWARP_PUPIL_DEGREE > 0
    in_x[1] = place.x;
    in_y[1] = place.y;
    for (int k = 2; k <= PREWARP_PUPIL_DEGREE; ++k) {
        in_x[k] = 2.0 * place.x * in_x[k - 1] - in_x[k - 2];
        in_y[k] = 2.0 * place.y * in_y[k - 1] - in_y[k - 2];
    }
#endif
    pair = vec4(0.0);
    single = vec2(0.0);
    log_light = vec3(0.0);
    ivec2 texel = node;
    for (int total = 0; total <= PREWARP_PUPIL_DEGREE; ++total) {
        for (int second = 0; second <= total; ++second) {
            float value = in_x[total - second] * in_y[second];
            pair += value * texelFetch(t_pair, texel, 0);
            single += value * texelFetch(t_single, texel, 0).xy;
#if PREWARP_LIT == 1
            log_light += value * texelFetch(t_log_light, texel, 0).xyz;
#endif
            texel.y += rows;
        }
    }
}

vec2 prewarp_tangent_from_cosine(vec2 cosine) {
    return cosine * inversesqrt(max(1.0 - dot(cosine, cosine), 1e-6));
}
