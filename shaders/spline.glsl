// Provides: prewarp_spline(t, place): bicubic B-spline of RGBA coefficients, 16 explicit fetches, no hardware filter.
// Needs: a coefficient texture of (columns + 2) x (rows + 2) texels; texel (0, 0) is the coefficient before node (0, 0).
// place: node coordinates, 0 at the first node; past the last node the end pieces go on.
// Python twin: prewarp.lattice.SplineLattice.at. C. de Boor, A Practical Guide to Splines, 1978: uniform cubic.

vec4 prewarp_cubic_weights(float t) {
    float s = 1.0 - t;
    return vec4(s * s * s, (3.0 * t - 6.0) * t * t + 4.0, ((-3.0 * t + 3.0) * t + 3.0) * t + 1.0, t * t * t) / 6.0;
}

vec4 prewarp_spline_row(sampler2D table, ivec2 first, vec4 weight) {
    return weight.x * texelFetch(table, first, 0)
         + weight.y * texelFetch(table, first + ivec2(1, 0), 0)
         + weight.z * texelFetch(table, first + ivec2(2, 0), 0)
         + weight.w * texelFetch(table, first + ivec2(3, 0), 0);
}

vec4 prewarp_spline(sampler2D table, vec2 place) {
    ivec2 last = textureSize(table, 0) - ivec2(4, 4);
    ivec2 first = clamp(ivec2(floor(place)), ivec2(0, 0), last);
    vec2 t = place - vec2(first);
    vec4 across = prewarp_cubic_weights(t.x);
    vec4 down = prewarp_cubic_weights(t.y);
    return down.x * prewarp_spline_row(table, first, across)
         + down.y * prewarp_spline_row(table, first + ivec2(0, 1), across)
         + down.z * prewarp_spline_row(table, first + ivec2(0, 2), across)
         + down.w * prewarp_spline_row(table, first + ivec2(0, 3), across);
}
