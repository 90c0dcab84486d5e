/* Sums over long lines of numbers side by side, of which compilers make vector instructions: the inner loops of
 * Chebyshev meshes of the float32 path. Each number on its own is summed in one order, from the first term to the last.
 * There is one function per number of terms: what `restrict` promises of parameters is kept there, and lost where they
 * are inlined. Terms beyond the eighth are added eight at a time. */
#include "prewarp_lines.h"

#define AT_ONCE 8u

/* What a sum begins with: its first product; its first line, whose weight is T_0 = 1; what `out` holds. */
enum { A_PRODUCT, A_LINE, THE_SUM };

/* ---- lines[0] w[0] + .. + lines[terms - 1] w[terms - 1] ---- */

/* `terms` and `first` are constants wherever this is called: the inner loop unrolls, the outer one becomes vectors. */
static inline void sum_lines(const float *restrict lines, size_t stride, const float *restrict weights, size_t step,
                             size_t count, float *restrict out, uint32_t terms, int first)
{
    size_t place;
    uint32_t term;
    for (place = 0; place < count; place++) {
        float sum = lines[place];
        if (first != A_LINE)
            sum *= weights[0];
        if (first == THE_SUM)
            sum = out[place] + sum;
        for (term = 1; term < terms; term++)
            sum += lines[stride * term + place] * weights[step * term];
        out[place] = sum;
    }
}

typedef void (*line_sum)(const float *restrict lines, size_t stride, const float *restrict weights, size_t step,
                         size_t count, float *restrict out, int first);

#define LINE_SUM(terms)                                                                                                \
    static void sum_of_##terms(const float *restrict lines, size_t stride, const float *restrict weights, size_t step, \
                               size_t count, float *restrict out, int first)                                           \
    {                                                                                                                  \
        if (first == A_LINE)                                                                                           \
            sum_lines(lines, stride, weights, step, count, out, terms, A_LINE);                                        \
        else if (first == A_PRODUCT)                                                                                   \
            sum_lines(lines, stride, weights, step, count, out, terms, A_PRODUCT);                                     \
        else                                                                                                           \
            sum_lines(lines, stride, weights, step, count, out, terms, THE_SUM);                                       \
    }

LINE_SUM(1)
LINE_SUM(2)
LINE_SUM(3)
LINE_SUM(4)
LINE_SUM(5)
LINE_SUM(6)
LINE_SUM(7)
LINE_SUM(8)

static void sum_of_any(const float *lines, size_t stride, const float *weights, size_t step, uint32_t terms,
                       size_t count, float *out, int first)
{
    static const line_sum sums[AT_ONCE] = {sum_of_1, sum_of_2, sum_of_3, sum_of_4,
                                           sum_of_5, sum_of_6, sum_of_7, sum_of_8};
    uint32_t term;
    for (term = 0; term < terms; term += AT_ONCE) {
        uint32_t more = terms - term < AT_ONCE ? terms - term - 1u : AT_ONCE - 1u; /* than one */
        sums[more](lines + stride * term, stride, weights + step * term, step, count, out,
                        term > 0u ? THE_SUM : first);
    }
}

void prewarp_row_sums(const prewarp_lines *lines, const float *in_t, size_t tall, size_t count, float *even, float *odd)
{
    sum_of_any(lines->even, lines->stride, in_t, 2u * tall, (lines->terms + 1u) / 2u, count, even, A_LINE);
    sum_of_any(lines->odd, lines->stride, in_t + tall, 2u * tall, lines->terms / 2u, count, odd, A_PRODUCT);
}

/* ---- a line of nodes (tx, ty) of one j: both components at once ---- */

static inline void sum_pairs(const float *restrict in_s, size_t count, const float *restrict in_x,
                             const float *restrict in_y, float *restrict out, uint32_t terms, int first)
{
    size_t place;
    uint32_t term;
    for (place = 0; place < count; place++) {
        float x = in_x[0], y = in_y[0];
        if (first == THE_SUM) {
            x = out[2u * place] + x * in_s[place];
            y = out[2u * place + 1u] + y * in_s[place];
        }
        for (term = 1; term < terms; term++) {
            x += in_x[term] * in_s[count * term + place];
            y += in_y[term] * in_s[count * term + place];
        }
        out[2u * place] = x;
        out[2u * place + 1u] = y;
    }
}

typedef void (*pair_sum)(const float *restrict in_s, size_t count, const float *restrict in_x,
                         const float *restrict in_y, float *restrict out, int first);

/* Lines are padded: said here, so that no loop is made for what is left over. */
#define PAIR_SUM(terms)                                                                                \
    static void pairs_of_##terms(const float *restrict in_s, size_t count, const float *restrict in_x, \
                                 const float *restrict in_y, float *restrict out, int first)           \
    {                                                                                                  \
        count -= count % PREWARP_LANES;                                                                \
        if (first == THE_SUM)                                                                          \
            sum_pairs(in_s, count, in_x, in_y, out, terms, THE_SUM);                                   \
        else                                                                                           \
            sum_pairs(in_s, count, in_x, in_y, out, terms, A_LINE);                                    \
    }

PAIR_SUM(1)
PAIR_SUM(2)
PAIR_SUM(3)
PAIR_SUM(4)
PAIR_SUM(5)
PAIR_SUM(6)
PAIR_SUM(7)
PAIR_SUM(8)

void prewarp_line_of(const float *in_s, size_t count, const float *in_x, const float *in_y, uint32_t terms, float *out)
{
    static const pair_sum sums[AT_ONCE] = {pairs_of_1, pairs_of_2, pairs_of_3, pairs_of_4,
                                           pairs_of_5, pairs_of_6, pairs_of_7, pairs_of_8};
    uint32_t term;
    if (terms == 0u)
        memset(out, 0, 2u * count * sizeof *out);
    for (term = 0; term < terms; term += AT_ONCE) {
        uint32_t more = terms - term < AT_ONCE ? terms - term - 1u : AT_ONCE - 1u; /* than one */
        sums[more](in_s + count * term, count, in_x + term, in_y + term, out, term > 0u ? THE_SUM : A_LINE);
    }
}

/* ---- mesh rows and their mirror images: even + odd, even - odd ---- */

void prewarp_draw_rows(const float *restrict evens, const float *restrict odds, size_t width, float *restrict here,
                       float *restrict mirror)
{
    size_t place;
    for (place = 0; place < width; place++) {
        float even = evens[place], odd = odds[place];
        here[place] = even + odd;
        mirror[place] = even - odd;
    }
}

static inline void draw_more(const float *restrict base_evens, const float *restrict base_odds,
                             const float *restrict evens, const float *restrict odds, size_t stride,
                             const float *restrict in_t, size_t tall, size_t width, float *restrict here,
                             float *restrict mirror, uint32_t terms)
{
    const size_t step = 2u * tall;
    size_t place;
    uint32_t term;
    for (place = 0; place < width; place++) {
        float even = evens[place], odd = odds[place] * in_t[tall];
        for (term = 1; term < (terms + 1u) / 2u; term++)
            even += evens[stride * term + place] * in_t[step * term];
        for (term = 1; term < terms / 2u; term++)
            odd += odds[stride * term + place] * in_t[step * term + tall];
        even = base_evens[place] + even;
        odd = base_odds[place] + odd;
        here[place] = even + odd;
        mirror[place] = even - odd;
    }
}

typedef void (*row_drawing)(const float *restrict base_evens, const float *restrict base_odds,
                            const float *restrict evens, const float *restrict odds, size_t stride,
                            const float *restrict in_t, size_t tall, size_t width, float *restrict here,
                            float *restrict mirror);

#define ROW_DRAWING(terms)                                                                                        \
    static void draw_more_of_##terms(const float *restrict base_evens, const float *restrict base_odds,           \
                                     const float *restrict evens, const float *restrict odds, size_t stride,      \
                                     const float *restrict in_t, size_t tall, size_t width, float *restrict here, \
                                     float *restrict mirror)                                                      \
    {                                                                                                             \
        draw_more(base_evens, base_odds, evens, odds, stride, in_t, tall, width, here, mirror, terms);            \
    }

ROW_DRAWING(2)
ROW_DRAWING(3)
ROW_DRAWING(4)
ROW_DRAWING(5)
ROW_DRAWING(6)
ROW_DRAWING(7)
ROW_DRAWING(8)

void prewarp_draw_more(const float *base_evens, const float *base_odds, const prewarp_lines *lines, const float *in_t,
                       size_t tall, size_t width, float *sums, float *here, float *mirror)
{
    static const row_drawing drawings[AT_ONCE - 1u] = {draw_more_of_2, draw_more_of_3, draw_more_of_4, draw_more_of_5,
                                                       draw_more_of_6, draw_more_of_7, draw_more_of_8};
    float *even = sums, *odd = sums + lines->stride;
    if (lines->terms <= AT_ONCE) {
        drawings[lines->terms - 2u](base_evens, base_odds, lines->even, lines->odd, lines->stride, in_t, tall, width,
                                    here, mirror);
        return;
    }
    prewarp_row_sums(lines, in_t, tall, lines->stride, even, odd);
    /* Two lines are left, both of weight T_0 = 1. */
    draw_more_of_2(base_evens, base_odds, even, odd, lines->stride, in_t, 0, width, here, mirror);
}
