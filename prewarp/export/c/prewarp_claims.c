/* Claims of channels, float32 path: a spline lattice over directions, many of them together. Every sum has one order, as in
 * prewarp_float.c. */
#include "prewarp_float.h"

#include <math.h>

/* Directions that are worked on side by side; loops of a fixed length become vector instructions. */
#define AT_ONCE 16u

typedef struct {
    const unsigned char *codes;
    uint32_t size[2], channels;
    float origin_deg[2], per_deg, scale;
} lattice;

/* Degrees from straight ahead per unit of tangent, from the square of the tangent: a ratio of polynomials up to 60 degrees. */
static inline float near_factor(float square)
{
    const float above = ((1.1700073f * square + 20.03608f) * square + 68.20114f) * square + 57.29578f;
    const float below = (((0.0011253575f * square + 0.07767833f) * square + 0.6575962f) * square + 1.523667f) * square + 1.0f;
    return above / below;
}

/* The same beyond: the angle is halved twice, then comes the arc tangent's series. */
static float far_factor(float square)
{
    static const float terms[7] = {1.0f / 13.0f, -1.0f / 11.0f, 1.0f / 9.0f, -1.0f / 7.0f, 1.0f / 5.0f, -1.0f / 3.0f, 1.0f};
    float first, second, series = -1.0f / 15.0f;
    uint32_t term;
    first = 1.0f + sqrtf(1.0f + square);
    square = square / (first * first);
    second = 1.0f + sqrtf(1.0f + square);
    square = square / (second * second);
    for (term = 0; term < 7u; term++)
        series = series * square + terms[term];
    return series * (4.0f * PREWARP_DEGREES) / (first * second);
}

static inline float factor_of(float square)
{
    return square <= 3.0f ? near_factor(square) : far_factor(square);
}

/* Place on an axis of the lattice, from its second coefficient on. */
static inline float place_on(float plane_deg, float origin_deg, float per_deg, float last)
{
    const float place = (plane_deg - origin_deg) * per_deg, above = place > 0.0f ? place : 0.0f;
    return above < last ? above : last;
}

/* Six times the weight of each of four coefficients, t from the second on. */
static inline float weight_0(float t)
{
    const float s = 1.0f - t;
    return s * s * s;
}

static inline float weight_1(float t)
{
    return (3.0f * t - 6.0f) * t * t + 4.0f;
}

static inline float weight_2(float t)
{
    return ((-3.0f * t + 3.0f) * t + 3.0f) * t + 1.0f;
}

static inline float weight_3(float t)
{
    return t * t * t;
}

/* Coefficients of one cell, row by row. */
static inline void read_cell(const unsigned char *codes, size_t row, float cell[4][4])
{
    uint32_t i, j;
    for (j = 0; j < 4u; j++, codes += row) {
        for (i = 0; i < 4u; i++)
            cell[j][i] = (float)prewarp_i16(codes + 2u * i);
    }
}

/* One column of a cell. */
static inline float sum_down(float a, float b, float c, float d, const float down[4])
{
    return ((down[0] * a + down[1] * b) + down[2] * c) + down[3] * d;
}

/* Claims of one direction. */
static void claims_of_one(const lattice *own, const float direction[2], float *claims)
{
    const float factor = factor_of(direction[0] * direction[0] + direction[1] * direction[1]);
    const size_t row = 2u * (size_t)own->size[0];
    const unsigned char *codes = own->codes;
    float weights[2][4];
    uint32_t axis, channel, i;
    for (axis = 0; axis < 2u; axis++) {
        const float last = (float)(own->size[axis] - 3u);
        const float place = place_on(direction[axis] * factor, own->origin_deg[axis], own->per_deg, last);
        const int32_t first = (int32_t)(place < last - 1.0f ? place : last - 1.0f);
        const float t = place - (float)first;
        weights[axis][0] = weight_0(t);
        weights[axis][1] = weight_1(t);
        weights[axis][2] = weight_2(t);
        weights[axis][3] = weight_3(t);
        codes += (axis == 0u ? 2u : row) * (uint32_t)first;
    }
    for (channel = 0; channel < own->channels; channel++, codes += row * own->size[1]) {
        float total = 0.0f;
        for (i = 0; i < 4u; i++) {
            const unsigned char *at = codes + 2u * i;
            total += weights[0][i] * sum_down((float)prewarp_i16(at), (float)prewarp_i16(at + row), (float)prewarp_i16(at + 2u * row),
                                              (float)prewarp_i16(at + 3u * row), weights[1]);
        }
        total *= own->scale;
        claims[channel] = total > 0.0f ? total : 0.0f;
    }
}

/* What AT_ONCE directions need of the lattice: six times the weights of its columns and rows, the first place of their cells. */
typedef struct {
    float across[4][AT_ONCE], down[4][AT_ONCE];
    uint32_t place[AT_ONCE];
} row_part;

/* Along one axis: the first of four coefficients, and six times their weights. */
static inline void splines(const float *planes, uint32_t coefficients, float origin_deg, float per_deg, int32_t *first,
                           float weights[4][AT_ONCE])
{
    const float last = (float)(coefficients - 3u), last_cell = last - 1.0f;
    uint32_t k;
    for (k = 0; k < AT_ONCE; k++) {
        const float place = place_on(planes[k], origin_deg, per_deg, last);
        float t;
        first[k] = (int32_t)(place < last_cell ? place : last_cell);
        t = place - (float)first[k];
        weights[0][k] = weight_0(t);
        weights[1][k] = weight_1(t);
        weights[2][k] = weight_2(t);
        weights[3][k] = weight_3(t);
    }
}

static void take_part(const lattice *own, const float *directions, row_part *part)
{
    float planes[2][AT_ONCE];
    int32_t first[2][AT_ONCE];
    uint32_t k, far = 0;
    for (k = 0; k < AT_ONCE; k++) {
        const float x = directions[2u * k], y = directions[2u * k + 1u], square = x * x + y * y, factor = near_factor(square);
        planes[0][k] = x * factor;
        planes[1][k] = y * factor;
        far += square <= 3.0f ? 0u : 1u;
    }
    for (k = 0; k < AT_ONCE && far > 0u; k++) {
        const float x = directions[2u * k], y = directions[2u * k + 1u], factor = factor_of(x * x + y * y);
        planes[0][k] = x * factor;
        planes[1][k] = y * factor;
    }
    splines(planes[0], own->size[0], own->origin_deg[0], own->per_deg, first[0], part->across);
    splines(planes[1], own->size[1], own->origin_deg[1], own->per_deg, first[1], part->down);
    for (k = 0; k < AT_ONCE; k++)
        part->place[k] = (uint32_t)first[1][k] * own->size[0] + (uint32_t)first[0][k];
}

/* Claims of one channel, whose coefficients begin at `codes`. */
static void claims_of_part(const row_part *part, const unsigned char *codes, size_t row, float scale, uint32_t channels,
                           float *claims)
{
    float sums[AT_ONCE][4], cell[4][4];
    uint32_t held = part->place[0], k, i;
    read_cell(codes + 2u * (size_t)held, row, cell);
    for (k = 0; k < AT_ONCE; k++) {
        const float down[4] = {part->down[0][k], part->down[1][k], part->down[2][k], part->down[3][k]};
        if (part->place[k] != held) { /* neighbours mostly lie in one cell */
            held = part->place[k];
            read_cell(codes + 2u * (size_t)held, row, cell);
        }
        for (i = 0; i < 4u; i++)
            sums[k][i] = sum_down(cell[0][i], cell[1][i], cell[2][i], cell[3][i], down);
    }
    for (k = 0; k < AT_ONCE; k++) {
        float total = ((part->across[0][k] * sums[k][0] + part->across[1][k] * sums[k][1]) + part->across[2][k] * sums[k][2]) +
                      part->across[3][k] * sums[k][3];
        total *= scale;
        claims[channels * k] = total > 0.0f ? total : 0.0f;
    }
}

/* Claims of AT_ONCE directions: what is done for one, step by step for all of them. */
static void claims_of_many(const lattice *own, const float *directions, float *claims)
{
    const size_t row = 2u * (size_t)own->size[0];
    row_part part;
    uint32_t channel;
    take_part(own, directions, &part);
    for (channel = 0; channel < own->channels; channel++)
        claims_of_part(&part, own->codes + row * own->size[1] * channel, row, own->scale, own->channels, claims + channel);
}

static lattice lattice_of(const prewarp_lookup *lookup)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0);
    const prewarp_block block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_CLAIMS_BLOCK));
    lattice own;
    own.codes = block.numbers;
    own.size[0] = prewarp_u16(record + PREWARP_CLAIMS_COLUMNS);
    own.size[1] = prewarp_u16(record + PREWARP_CLAIMS_ROWS);
    own.channels = lookup->channel_count;
    own.origin_deg[0] = prewarp_f32(record + PREWARP_CLAIMS_ORIGIN);
    own.origin_deg[1] = prewarp_f32(record + PREWARP_CLAIMS_ORIGIN + 4u);
    own.per_deg = 1.0f / prewarp_f32(record + PREWARP_CLAIMS_PITCH);
    own.scale = f32_from_bits(block.scale_bits) / 36.0f;
    return own;
}

void prewarp_claims_of_one(const prewarp_lookup *lookup, const float direction[2], float *claims)
{
    if (lookup->claims_count == 0u) {
        memset(claims, 0, lookup->channel_count * sizeof *claims);
    } else {
        const lattice own = lattice_of(lookup);
        claims_of_one(&own, direction, claims);
    }
}

void prewarp_claims_of(const prewarp_lookup *lookup, const float *directions, size_t count, float *claims)
{
    const uint32_t channels = lookup->channel_count;
    lattice own;
    if (lookup->claims_count == 0u) {
        memset(claims, 0, count * channels * sizeof *claims);
        return;
    }
    own = lattice_of(lookup);
    for (; count >= AT_ONCE; count -= AT_ONCE, directions += 2u * AT_ONCE, claims += channels * AT_ONCE)
        claims_of_many(&own, directions, claims);
    for (; count > 0u; count--, directions += 2, claims += channels)
        claims_of_one(&own, directions, claims);
}
