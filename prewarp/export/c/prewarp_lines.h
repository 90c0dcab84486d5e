/* Sums over lines, of which Chebyshev meshes of the float32 path are made. */
#ifndef PREWARP_LINES_H
#define PREWARP_LINES_H

#include "prewarp_float.h"

/* Lines in work memory are padded to multiples of so many numbers, 32 bytes, and begin at multiples of them. */
#define PREWARP_LANES 8u

static inline size_t prewarp_padded(size_t count)
{
    return (count + PREWARP_LANES - 1u) / PREWARP_LANES * PREWARP_LANES;
}

/* Sums over i: a line of nodes (tx, ty) for every j of a map (two at least), `stride` apart; even and odd j by themselves. */
typedef struct {
    const float *even, *odd;
    size_t stride;
    uint32_t terms;
} prewarp_lines;

/* out = in_x[0] + in_x[1] T_1 + .. and y, side by side. in_s: (terms, count) T_i of the nodes; `count` is padded. */
void prewarp_line_of(const float *in_s, size_t count, const float *in_x, const float *in_y, uint32_t terms, float *out);

/* Sums over even and over odd j for one mesh row. in_t: T_j of the row, `tall` apart. */
void prewarp_row_sums(const prewarp_lines *lines, const float *in_t, size_t tall, size_t count, float *even,
                      float *odd);

/* A mesh row and its mirror image: even + odd, even - odd. */
void prewarp_draw_rows(const float *restrict evens, const float *restrict odds, size_t width, float *restrict here,
                       float *restrict mirror);

/* The same for a map added to its base, whose sums are given. `sums`: memory for two lines. */
void prewarp_draw_more(const float *base_evens, const float *base_odds, const prewarp_lines *lines, const float *in_t,
                       size_t tall, size_t width, float *sums, float *here, float *mirror);

#endif
