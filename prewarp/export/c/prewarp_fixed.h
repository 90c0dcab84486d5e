/* Fixed-point arithmetic that the files of the integer path share. "Of 2^-28" says that an integer counts steps of
 * 2^-28. */
#ifndef PREWARP_FIXED_H
#define PREWARP_FIXED_H

#include "prewarp_bytes.h"

/* Fraction bits of directions and of weights within sums; of panel px; of pupil mm; of weights and gains that are
 * returned. */
#define ONE 28
#define UNIT ((int64_t)1 << ONE)
#define PANEL_ONE 14
#define PUPIL_ONE 16
#define SHARE_ONE 16
/* PREWARP_FARTHEST, PREWARP_LONGEST_STEP and PREWARP_DONE of the float32 path, of 2^-28. The last two are the
 * distances over which slopes are taken, in the first step and then: UNIT shifted right by so many bits. */
#define FARTHEST (UNIT + UNIT / 16)
#define LONGEST_STEP (UNIT / 2)
#define DONE ((int64_t)1 << (ONE - 19))
#define START_DIFFERENCE_SHIFT 1
#define DIFFERENCE_SHIFT 7

/* value / 2^shift, rounded to the nearest integer, halves away from zero. shift is not negative; from 63 on the
 * result is 0. */
static inline int64_t shifted(int64_t value, int shift)
{
    int64_t half;
    if (shift == 0)
        return value;
    if (shift > 62)
        return 0;
    half = (int64_t)1 << (shift - 1);
    if (value >= 0)
        return value > INT64_MAX - half ? value >> shift : (value + half) >> shift;
    return value < -INT64_MAX + half ? -(-(value + 1) >> shift) : -((-value + half) >> shift);
}

/* value / 2^shift, rounded to the nearest integer, halves up, without a branch. Needs 1 <= shift <= 62 and |value| +
 * 2^(shift - 1) < 2^63. */
static inline int64_t rounded(int64_t value, int shift)
{
    const uint64_t sign = (uint64_t)1 << 63;
    return (int64_t)((((uint64_t)value ^ sign) + ((uint64_t)1 << (shift - 1))) >> shift) - (int64_t)(sign >> shift);
}

/* value x 2^up, rounded where up is negative, limited to -2^62 .. 2^62. */
static inline int64_t scaled(int64_t value, int up)
{
    const int64_t most = (int64_t)1 << 62;
    if (up <= 0)
        return shifted(value, -up);
    if (value == 0)
        return 0;
    if (up > 62 || value > most >> up || value < -(most >> up))
        return value > 0 ? most : -most;
    return value * ((int64_t)1 << up);
}

/* The value, limited to -INT32_MAX .. INT32_MAX. */
static inline int32_t cut(int64_t value)
{
    return value > INT32_MAX ? INT32_MAX : value < -INT32_MAX ? -INT32_MAX : (int32_t)value;
}

static inline int64_t clamped_to(int64_t value, int64_t limit)
{
    return value > limit ? limit : value < -limit ? -limit : value;
}

/* Product of two numbers of 2^-28, each at most 2^31 in size. */
static inline int64_t product(int64_t a, int64_t b)
{
    return rounded(a * b, ONE);
}

/* value = mantissa x 2^exponent */
typedef struct {
    int64_t mantissa;
    int exponent;
} number;

/* The exact value of a finite float32, from its bits. */
static inline number from_bits(uint32_t bits)
{
    number result;
    uint32_t exponent = bits >> 23 & 255u, fraction = bits & 0x7FFFFFu;
    result.mantissa = exponent == 0u ? (int64_t)fraction : (int64_t)(fraction | 0x800000u);
    result.exponent = exponent == 0u ? -149 : (int)exponent - 150;
    if (bits >> 31)
        result.mantissa = -result.mantissa;
    return result;
}

/* The same, rounded to a number of 2^-one. */
static inline int64_t fixed_from_bits(uint32_t bits, int one)
{
    number value = from_bits(bits);
    return scaled(value.mantissa, value.exponent + one);
}

/* A float32 of mm as a number of 2^-16, cut to what a blob may say. */
static inline int64_t pupil_from_bits(uint32_t bits)
{
    return clamped_to(fixed_from_bits(bits, PUPIL_ONE), (int64_t)PREWARP_LARGEST_PUPIL_MM << PUPIL_ONE);
}

/* Product of a weight of 2^-28 and a scale, the bits of a float32; its mantissa has at most 31 bits. Times a code it
 * is a number of 2^-28 (`multiplied`). */
static inline number multiplier(int64_t weight, uint32_t scale_bits)
{
    number result = from_bits(scale_bits);
    int64_t most = (int64_t)1 << 31;
    result.mantissa *= weight; /* 2^24 x 2^31 */
    while (result.mantissa >= most || result.mantissa <= -most) {
        result.mantissa = shifted(result.mantissa, 1);
        result.exponent++;
    }
    return result;
}

/* factor x code, rounded. The code is at most 2^31 in size. */
static inline int64_t multiplied(number factor, int64_t code)
{
    const int64_t whole = factor.mantissa * code;
    if (factor.exponent < 0 && factor.exponent >= -62)
        return rounded(whole, -factor.exponent);
    return scaled(whole, factor.exponent);
}

/* Chebyshev functions T_0 .. T_degree at x; all are numbers of 2^-28. */
static inline void chebyshev(int64_t x, uint32_t degree, int32_t *values)
{
    uint32_t k;
    values[0] = (int32_t)UNIT;
    if (degree > 0u)
        values[1] = cut(x);
    for (k = 2; k <= degree; k++)
        values[k] = cut(2 * product(x, values[k - 1u]) - values[k - 2u]);
}

/* Weights of 2^-28 of the four spline coefficients that count at x, which is -1 to 1 along one axis; returns the
 * place of the first. */
static inline uint32_t spline_weights(uint32_t coefficients, int64_t x, int64_t weights[4])
{
    int64_t last = (int64_t)coefficients - 4, place = shifted((x + UNIT) * (last + 1), 1), first, t, s, t2, t3;
    first = (place > 0 ? place : 0) / UNIT;
    first = first < last ? first : last;
    /* More than a cell beyond the panel's edge the map is of no use; the limit keeps products within 64 bits. */
    t = place - first * UNIT;
    t = t < -UNIT ? -UNIT : t > 2 * UNIT ? 2 * UNIT : t;
    s = UNIT - t;
    t2 = product(t, t);
    t3 = product(t2, t);
    weights[0] = product(product(s, s), s) / 6;
    weights[1] = (3 * t3 - 6 * t2 + 4 * UNIT) / 6;
    weights[3] = t3 / 6;
    weights[2] = UNIT - weights[0] - weights[1] - weights[3];
    return (uint32_t)first;
}

/* Sum of four numbers, `stride` apart, by weights from spline_weights, whose sizes add up to less than 2^30. */
static inline int32_t weighted(const int32_t *numbers, size_t stride, const int64_t weights[4])
{
    int64_t sum = weights[0] * numbers[0] + weights[1] * numbers[stride];
    sum += weights[2] * numbers[2u * stride] + weights[3] * numbers[3u * stride];
    return cut(rounded(sum, ONE));
}

#endif
