/* Claims of channels by direction, float32 path: cubic B-splines over the plane of angles. Every sum has one order, as in
 * prewarp_float.c. */
#include "prewarp_float.h"

#include <math.h>

#define AT_ONCE 8u

/* Angles from straight ahead along the azimuth, degrees: halved twice, then their series. */
static void planes_deg(const float *directions, uint32_t count, float planes[2][AT_ONCE])
{
    static const float terms[7] = {1.0f / 13.0f, -1.0f / 11.0f, 1.0f / 9.0f, -1.0f / 7.0f, 1.0f / 5.0f, -1.0f / 3.0f, 1.0f};
    uint32_t k, term;
    for (k = 0; k < count; k++) {
        const float x = directions[2u * k], y = directions[2u * k + 1u];
        float square = x * x + y * y, first, second, factor, series = -1.0f / 15.0f;
        first = 1.0f + sqrtf(1.0f + square);
        square = square / (first * first);
        second = 1.0f + sqrtf(1.0f + square);
        square = square / (second * second);
        for (term = 0; term < 7u; term++)
            series = series * square + terms[term];
        factor = series * (4.0f * PREWARP_DEGREES) / (first * second);
        planes[0][k] = x * factor;
        planes[1][k] = y * factor;
    }
}

/* Places of directions along one axis of the lattice: the first of four coefficients and their weights. */
static void splines(const float *planes, uint32_t count, uint32_t coefficients, float origin, float pitch,
                    uint32_t *first, float weights[4][AT_ONCE])
{
    const float last = (float)(coefficients - 3u);
    uint32_t k;
    for (k = 0; k < count; k++) {
        float place = (planes[k] - origin) / pitch, t, s;
        place = place > 0.0f ? place : 0.0f;
        place = place < last ? place : last;
        first[k] = (uint32_t)(int32_t)(place < last - 1.0f ? place : last - 1.0f);
        t = place - (float)(int32_t)first[k];
        s = 1.0f - t;
        weights[0][k] = s * s * s / 6.0f;
        weights[1][k] = ((3.0f * t - 6.0f) * t * t + 4.0f) / 6.0f;
        weights[2][k] = (((-3.0f * t + 3.0f) * t + 3.0f) * t + 1.0f) / 6.0f;
        weights[3][k] = t * t * t / 6.0f;
    }
}

/* Sum over the 4 x 4 coefficients from `codes` on; `row`: bytes from one row to the next. */
static float sum_of(const unsigned char *codes, size_t row, const float across[4], const float down[4])
{
    float total = 0.0f;
    uint32_t i, j;
    for (j = 0; j < 4u; j++, codes += row) {
        float line = 0.0f;
        for (i = 0; i < 4u; i++)
            line += across[i] * (float)prewarp_i16(codes + 2u * i);
        total += down[j] * line;
    }
    return total;
}

void prewarp_claims_of(const prewarp_lookup *lookup, const float *directions, uint32_t count, float *claims)
{
    const unsigned char *record;
    const uint32_t channels = lookup->channel_count;
    uint32_t counts[2], first[2][AT_ONCE], axis, channel, k, term, now;
    float planes[2][AT_ONCE], weights[2][4][AT_ONCE], own[2][4], scale;
    prewarp_block block;
    if (lookup->claims_count == 0u) {
        memset(claims, 0, (size_t)count * channels * sizeof *claims);
        return;
    }
    record = prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0);
    block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_CLAIMS_BLOCK));
    scale = f32_from_bits(block.scale_bits);
    counts[0] = prewarp_u16(record + PREWARP_CLAIMS_COLUMNS);
    counts[1] = prewarp_u16(record + PREWARP_CLAIMS_ROWS);
    for (; count > 0u; count -= now, directions += 2u * now) {
        now = count < AT_ONCE ? count : AT_ONCE;
        planes_deg(directions, now, planes);
        for (axis = 0; axis < 2u; axis++)
            splines(planes[axis], now, counts[axis], prewarp_f32(record + PREWARP_CLAIMS_ORIGIN + 4u * axis),
                    prewarp_f32(record + PREWARP_CLAIMS_PITCH), first[axis], weights[axis]);
        for (k = 0; k < now; k++, claims += channels) {
            for (term = 0; term < 4u; term++) {
                own[0][term] = weights[0][term][k];
                own[1][term] = weights[1][term][k];
            }
            for (channel = 0; channel < channels; channel++) {
                const size_t place = ((size_t)channel * counts[1] + first[1][k]) * counts[0] + first[0][k];
                const float total = sum_of(block.numbers + 2u * place, 2u * (size_t)counts[0], own[0], own[1]) * scale;
                claims[channel] = total > 0.0f ? total : 0.0f;
            }
        }
    }
}
