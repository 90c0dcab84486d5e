/* What the files of the float32 path share. */
#ifndef PREWARP_FLOAT_H
#define PREWARP_FLOAT_H

#include "prewarp_bytes.h"

#include <string.h>

#if defined(__clang__)
#pragma STDC FP_CONTRACT OFF
#endif

/* of a radian */
#define PREWARP_DEGREES 57.29577951308232f

static inline float f32_from_bits(uint32_t bits)
{
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static inline float prewarp_f32(const unsigned char *p)
{
    return f32_from_bits(prewarp_u32(p));
}

/* value cut to -limit .. limit; NaN becomes -limit */
static inline float bounded(float value, float limit)
{
    float above = value > -limit ? value : -limit;
    return above < limit ? above : limit;
}

static inline void chebyshev(float x, uint32_t degree, float *values)
{
    uint32_t k;
    values[0] = 1.0f;
    if (degree > 0u)
        values[1] = x;
    for (k = 2; k <= degree; k++)
        values[k] = 2.0f * x * values[k - 1u] - values[k - 2u];
}

/* Weights of four coefficients along one mesh axis at x on -1 to 1; returns the place of the first. */
static inline uint32_t spline_weights(uint32_t coefficients, float x, float weights[4])
{
    float last = (float)(coefficients - 4u), place = (x + 1.0f) * 0.5f * (last + 1.0f), held, t, s;
    uint32_t first;
    held = place > 0.0f ? place : 0.0f;
    first = (uint32_t)(held < last ? held : last);
    t = place - (float)first;
    s = 1.0f - t;
    weights[0] = s * s * s / 6.0f;
    weights[1] = ((3.0f * t - 6.0f) * t * t + 4.0f) / 6.0f;
    weights[2] = (((-3.0f * t + 3.0f) * t + 3.0f) * t + 1.0f) / 6.0f;
    weights[3] = t * t * t / 6.0f;
    return first;
}

/* Place of a mesh node on -1 to 1; a node and its mirror image differ in sign alone. */
static inline float node_position(uint32_t place, uint32_t count)
{
    float last = (float)(count - 1u);
    return (2.0f * (float)place - last) / last;
}

/* Claims of `count` directions (tx, ty), `channel_count` floats each; 0 where the blob holds none. */
void prewarp_claims_of(const prewarp_lookup *lookup, const float *directions, size_t count, float *claims);
void prewarp_claims_of_one(const prewarp_lookup *lookup, const float direction[2], float *claims);

/* Floats of work memory for the Chebyshev meshes of these maps; 0 where there are none. */
size_t prewarp_chebyshev_work_count(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows);

/* Draws rows of the Chebyshev maps, each at its place in `directions`; a base is added where it is a Chebyshev map too. */
void prewarp_chebyshev_meshes(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                              prewarp_strip strip, float *work, float *directions);

#endif
