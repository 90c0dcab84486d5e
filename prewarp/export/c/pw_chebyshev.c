/* Chebyshev meshes of the float32 path. Sums run over long lines of numbers side by side, of which compilers make
 * vector instructions; each number on its own is summed in one order, from the first term to the last. Sums over even
 * and over odd functions of v are kept apart: a mesh row and its mirror image share both. */
#include "pw_float.h"

/* Lines in work memory are padded to multiples of so many numbers. */
#define LANES 8u

static size_t padded(size_t count)
{
    return (count + LANES - 1u) / LANES * LANES;
}

/* ---- sums of lines: `stride` apart, with weights `step` apart ---- */

/* out = lines[0] w[0] + .. + lines[taps - 1] w[taps - 1], after what `out` holds where `more`. `taps` and `more` are
 * constants wherever this is called, so that the inner loop unrolls and the outer one becomes vector instructions. */
static inline void sum_lines(const float *restrict lines, size_t stride, const float *restrict weights, size_t step,
                             size_t count, float *restrict out, uint32_t taps, int more)
{
    size_t place;
    uint32_t tap;
    for (place = 0; place < count; place++) {
        float sum = more ? out[place] + lines[place] * weights[0] : lines[place] * weights[0];
        for (tap = 1; tap < taps; tap++)
            sum += lines[stride * tap + place] * weights[step * tap];
        out[place] = sum;
    }
}

/* One function per number of taps: what `restrict` promises of parameters is kept there, and lost where inlined. */
typedef void (*line_sum)(const float *restrict lines, size_t stride, const float *restrict weights, size_t step,
                         size_t count, float *restrict out, int more);

#define LINE_SUM(taps)                                                                                                 \
    static void sum_of_##taps(const float *restrict lines, size_t stride, const float *restrict weights, size_t step,  \
                              size_t count, float *restrict out, int more)                                             \
    {                                                                                                                  \
        if (more)                                                                                                      \
            sum_lines(lines, stride, weights, step, count, out, taps, 1);                                              \
        else                                                                                                           \
            sum_lines(lines, stride, weights, step, count, out, taps, 0);                                              \
    }

LINE_SUM(1)
LINE_SUM(2)
LINE_SUM(3)
LINE_SUM(4)
LINE_SUM(5)
LINE_SUM(6)
LINE_SUM(7)
LINE_SUM(8)

/* The same for any number of taps, eight at a time; none: zeros. */
static void sum_of_any(const float *lines, size_t stride, const float *weights, size_t step, uint32_t taps,
                       size_t count, float *out)
{
    static const line_sum sums[8] = {sum_of_1, sum_of_2, sum_of_3, sum_of_4, sum_of_5, sum_of_6, sum_of_7, sum_of_8};
    uint32_t tap;
    if (taps == 0u)
        memset(out, 0, count * sizeof *out);
    for (tap = 0; tap < taps; tap += 8u)
        sums[(taps - tap < 8u ? taps - tap : 8u) - 1u](lines + stride * tap, stride, weights + step * tap, step, count,
                                                       out, tap > 0u);
}

/* ---- mesh rows and their mirror images ---- */

/* Row = base + (even + odd), its mirror image = base + (even - odd); no base where not `based`. even, odd: sums over
 * the lines of even and of odd j (`terms` together) with T_j of the row, in_t: (terms, tall). `even_taps`, `odd_taps` and
 * `based` are constants; where a number of taps is 0 the sum is made apart. */
static inline void draw_rows(const float *restrict evens, const float *restrict odds, size_t stride, uint32_t terms,
                             const float *restrict in_t, size_t tall, float *restrict even_sums,
                             float *restrict odd_sums, float *restrict spare, const float *restrict base, size_t width,
                             uint32_t rows, float *restrict directions, uint32_t even_taps, uint32_t odd_taps,
                             int based)
{
    const size_t step = 2u * tall;
    size_t place;
    uint32_t row, tap;
    for (row = 0; row < (rows + 1u) / 2u; row++, in_t++) {
        const uint32_t opposite = rows - 1u - row;
        float *here = directions + width * row;
        /* The middle row is its own mirror image: that goes where nobody reads it. */
        float *mirror = opposite == row ? spare : directions + width * opposite;
        const float *base_here = based ? base + width * row : NULL;
        const float *base_mirror = based ? base + width * opposite : NULL;
        if (even_taps == 0u)
            sum_of_any(evens, stride, in_t, step, (terms + 1u) / 2u, padded(width), even_sums);
        if (odd_taps == 0u)
            sum_of_any(odds, stride, in_t + tall, step, terms / 2u, padded(width), odd_sums);
        for (place = 0; place < width; place++) {
            float even = even_taps == 0u ? even_sums[place] : evens[place] * in_t[0];
            float odd = odd_taps == 0u ? odd_sums[place] : odds[place] * in_t[tall], sum, difference;
            for (tap = 1; tap < even_taps; tap++)
                even += evens[stride * tap + place] * in_t[step * tap];
            for (tap = 1; tap < odd_taps; tap++)
                odd += odds[stride * tap + place] * in_t[step * tap + tall];
            sum = even + odd;
            difference = even - odd;
            if (based) {
                sum = base_here[place] + sum;
                difference = base_mirror[place] + difference;
            }
            here[place] = sum;
            mirror[place] = difference;
        }
    }
}

typedef void (*row_drawing)(const float *restrict evens, const float *restrict odds, size_t stride, uint32_t terms,
                            const float *restrict in_t, size_t tall, float *restrict even_sums,
                            float *restrict odd_sums, float *restrict spare, const float *restrict base, size_t width,
                            uint32_t rows, float *restrict directions);

#define ROW_DRAWING(name, even_taps, odd_taps, based)                                                                  \
    static void name(const float *restrict evens, const float *restrict odds, size_t stride, uint32_t terms,           \
                     const float *restrict in_t, size_t tall, float *restrict even_sums, float *restrict odd_sums,     \
                     float *restrict spare, const float *restrict base, size_t width, uint32_t rows,                   \
                     float *restrict directions)                                                                       \
    {                                                                                                                  \
        draw_rows(evens, odds, stride, terms, in_t, tall, even_sums, odd_sums, spare, base, width, rows, directions,   \
                  even_taps, odd_taps, based);                                                                         \
    }

/* Up to 8 terms: both sums on the way */
ROW_DRAWING(own_2, 1, 1, 0)
ROW_DRAWING(own_3, 2, 1, 0)
ROW_DRAWING(own_4, 2, 2, 0)
ROW_DRAWING(own_5, 3, 2, 0)
ROW_DRAWING(own_6, 3, 3, 0)
ROW_DRAWING(own_7, 4, 3, 0)
ROW_DRAWING(own_8, 4, 4, 0)
ROW_DRAWING(based_2, 1, 1, 1)
ROW_DRAWING(based_3, 2, 1, 1)
ROW_DRAWING(based_4, 2, 2, 1)
ROW_DRAWING(based_5, 3, 2, 1)
ROW_DRAWING(based_6, 3, 3, 1)
ROW_DRAWING(based_7, 4, 3, 1)
ROW_DRAWING(based_8, 4, 4, 1)
/* 9 to 17 terms: the odd sum on the way */
ROW_DRAWING(odd_4, 0, 4, 0)
ROW_DRAWING(odd_5, 0, 5, 0)
ROW_DRAWING(odd_6, 0, 6, 0)
ROW_DRAWING(odd_7, 0, 7, 0)
ROW_DRAWING(odd_8, 0, 8, 0)
/* Any number: none on the way */
ROW_DRAWING(own_any, 0, 0, 0)
ROW_DRAWING(based_any, 0, 0, 1)

static row_drawing chosen_drawing(uint32_t terms, int based)
{
    static const row_drawing of_own[7] = {own_2, own_3, own_4, own_5, own_6, own_7, own_8};
    static const row_drawing of_based[7] = {based_2, based_3, based_4, based_5, based_6, based_7, based_8};
    static const row_drawing of_odd[5] = {odd_4, odd_5, odd_6, odd_7, odd_8};
    if (terms >= 2u && terms <= 8u)
        return (based ? of_based : of_own)[terms - 2u];
    if (terms >= 9u && terms <= 17u && !based)
        return of_odd[terms / 2u - 4u];
    return based ? based_any : own_any;
}

/* ---- the mesh ---- */

/* Of the coefficients of both components: how many i each j has, without zeros at the end; returns how many j. */
static uint32_t filled_terms(const pw_map *map, uint32_t *counts)
{
    uint32_t terms = map->columns, all = pw_graded_count(terms - 1u), j, filled = 0;
    const float *own = map->coefficients;
    for (j = 0; j < terms; j++) {
        uint32_t i = terms - j, place = pw_graded_place(terms - 1u - j, j);
        while (i > 0u && own[place] == 0.0f && own[all + place] == 0.0f) {
            i--;
            place = i > 0u ? pw_graded_place(i - 1u, j) : 0u;
        }
        counts[j] = i;
        if (i > 0u)
            filled = j + 1u;
    }
    return filled;
}

/* T_k+1 = 2 x T_k - T_k-1 after the lines T_k-1 and T_k */
static void next_values(const float *restrict x, const float *restrict before, size_t width, float *restrict next)
{
    size_t place;
    for (place = 0; place < width; place++)
        next[place] = 2.0f * x[place] * before[width + place] - before[place];
}

/* T_0 .. T_terms-1 of all nodes of an axis: (terms, padded(count)); at least one, beyond the nodes anything finite */
static void node_values(uint32_t count, uint32_t terms, float *restrict values)
{
    size_t width = padded(count);
    int32_t last = (int32_t)count - 1, place, end = (int32_t)width;
    float length = (float)last;
    uint32_t k;
    for (place = 0; place < end; place++)
        values[place] = 1.0f;
    if (terms < 2u)
        return;
    values += width;
    for (place = 0; place < end; place++)
        values[place] = (float)(2 * (place < last ? place : last) - last) / length;
    for (k = 2; k < terms; k++)
        next_values(values, values + width * k - 3u * width, width, values + width * (k - 1u));
}

static void interleave(const float *restrict x, const float *restrict y, size_t count, float *restrict out)
{
    size_t place;
    for (place = 0; place < count; place++) {
        out[2u * place] = x[place];
        out[2u * place + 1u] = y[place];
    }
}

/* Sums over i for every j: even j, then odd j, each a line of nodes (tx, ty). `spare`: two lines of columns */
static void lines_of(const pw_map *map, const uint32_t *counts, uint32_t filled, const float *in_s, uint32_t columns,
                     float *spare, float *sums)
{
    const size_t line = padded(columns), stride = 2u * line, all = pw_graded_count(map->columns - 1u);
    uint32_t i, j, evens = (filled + 1u) / 2u;
    for (j = 0; j < filled; j++) {
        float in_x[PW_MAX_PANEL_DEGREE + 1u], in_y[PW_MAX_PANEL_DEGREE + 1u];
        for (i = 0; i < counts[j]; i++) {
            uint32_t place = pw_graded_place(i, j);
            in_x[i] = map->coefficients[place];
            in_y[i] = map->coefficients[all + place];
        }
        sum_of_any(in_s, line, in_x, 1, counts[j], line, spare);
        sum_of_any(in_s, line, in_y, 1, counts[j], line, spare + line);
        interleave(spare, spare + line, line, sums + stride * (j / 2u + (j % 2u ? evens : 0u)));
    }
}

size_t pw_chebyshev_work_count(const pw_map *map, uint32_t columns, uint32_t rows)
{
    return padded(columns) * (map->columns * 3u + 6u) + padded(rows) * map->columns;
}

void pw_chebyshev_mesh(const pw_map *map, uint32_t columns, uint32_t rows, const float *base, float *work,
                       float *directions)
{
    const size_t width = (size_t)columns * 2u, line = padded(columns), stride = 2u * line, tall = padded(rows);
    uint32_t counts[PW_MAX_PANEL_DEGREE + 1u], filled = filled_terms(map, counts), most = 0, j;
    float *in_s = work, *in_t = in_s + line * map->columns; /* (terms, line), (terms, tall) */
    float *sums = in_t + tall * map->columns;               /* (terms, line, 2) */
    float *even_sums = sums + stride * map->columns, *odd_sums = even_sums + stride, *spare = odd_sums + stride;
    row_drawing draw;
    for (j = 0; j < filled; j++)
        most = counts[j] > most ? counts[j] : most;
    node_values(columns, rows == columns && filled > most ? filled : most, in_s);
    if (rows == columns)
        in_t = in_s;
    else
        node_values(rows, filled, in_t);
    lines_of(map, counts, filled, in_s, columns, spare, sums);
    draw = chosen_drawing(filled, base != NULL);
    draw(sums, sums + stride * ((filled + 1u) / 2u), stride, filled, in_t, tall, even_sums, odd_sums, spare, base,
         width, rows, directions);
}
