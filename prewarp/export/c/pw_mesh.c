/* Meshes of the float32 path. Every sum runs over long lines of numbers side by side, so that a compiler makes vector
 * instructions of it; each number on its own is summed in one order, from the first term to the last. */
#include "pw_float.h"

/* Lines in work memory begin at multiples of so many numbers and are padded to them. */
#define LANES 8u

static size_t padded(size_t count)
{
    return (count + LANES - 1u) / LANES * LANES;
}

/* Place of a mesh node on -1 to 1; a node and its mirror image differ in sign alone. */
static float node_position(uint32_t place, uint32_t count)
{
    float last = (float)(count - 1u);
    return (2.0f * (float)place - last) / last;
}

/* out = lines[0] w[0] + .. + lines[taps - 1] w[taps - 1], after what `out` holds where `more`; lines are `stride` apart,
 * weights `step`.
 * `taps` and `more` are constants wherever this is called, so that the inner loop unrolls and the outer one vectorises. */
static inline void sum_lines(const float *restrict lines, size_t stride, const float *restrict weights, size_t step, uint32_t taps,
                             int more, size_t count, float *restrict out)
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

/* One function per number of taps: what `restrict` promises of parameters is kept. */
#define SUM_LINES(taps)                                                                                              \
    static void sum_of_##taps(const float *restrict lines, size_t stride, const float *restrict weights, size_t step, int more,   \
                              size_t count, float *restrict out)                                                     \
    {                                                                                                                \
        if (more)                                                                                                    \
            sum_lines(lines, stride, weights, step, taps, 1, count, out);                                                  \
        else                                                                                                         \
            sum_lines(lines, stride, weights, step, taps, 0, count, out);                                                  \
    }

SUM_LINES(1)
SUM_LINES(2)
SUM_LINES(3)
SUM_LINES(4)
SUM_LINES(5)
SUM_LINES(6)
SUM_LINES(7)
SUM_LINES(8)

typedef void (*sum_function)(const float *restrict lines, size_t stride, const float *restrict weights, size_t step, int more,
                             size_t count, float *restrict out);

/* The same for any number of taps, eight at a time; none: zeros. */
static void weighted_lines(const float *restrict lines, size_t stride, const float *restrict weights, size_t step, uint32_t taps,
                           size_t count, float *restrict out)
{
    static const sum_function sums[8] = {sum_of_1, sum_of_2, sum_of_3, sum_of_4, sum_of_5, sum_of_6, sum_of_7, sum_of_8};
    size_t place;
    int more = 0;
    if (taps == 0u) {
        for (place = 0; place < count; place++)
            out[place] = 0.0f;
    }
    while (taps > 0u) {
        uint32_t here = taps < 8u ? taps : 8u;
        sums[here - 1u](lines, stride, weights, step, more, count, out);
        lines += stride * here;
        weights += step * here;
        taps -= here;
        more = 1;
    }
}

/* ---- Chebyshev ---- */

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

/* One mesh row and its mirror image: their lines, weights and targets. */
typedef struct {
    const float *evens, *odds, *even_sums, *by_even, *by_odd, *base_here, *base_mirror;
    float *here, *mirror;
    size_t stride, step, width;
} row_pair;

/* here = even + odd, mirror = even - odd, each added to its base where there is one */
static void mirrored(const float *restrict even, const float *restrict odd, size_t count,
                     const float *restrict base_here, const float *restrict base_mirror, float *restrict here,
                     float *restrict mirror)
{
    size_t place;
    if (base_here == NULL) {
        for (place = 0; place < count; place++) {
            float e = even[place], o = odd[place];
            here[place] = e + o;
            mirror[place] = e - o;
        }
    } else {
        for (place = 0; place < count; place++) {
            float e = even[place], o = odd[place], a = base_here[place], b = base_mirror[place];
            here[place] = a + (e + o);
            mirror[place] = b + (e - o);
        }
    }
}

/* The same with the last sums done on the way: over even and over odd lines, where not 0 taps. */
static inline void mirrored_sums(const float *restrict evens, const float *restrict odds,
                                 const float *restrict even_sums, size_t stride, const float *restrict by_even,
                                 const float *restrict by_odd, size_t step, const float *restrict base_here,
                                 const float *restrict base_mirror, size_t width, float *restrict here,
                                 float *restrict mirror, uint32_t even_taps, uint32_t odd_taps, int based)
{
    size_t place;
    uint32_t tap;
    for (place = 0; place < width; place++) {
        float even = even_taps == 0u ? even_sums[place] : evens[place] * by_even[0];
        float odd = odd_taps == 0u ? 0.0f : odds[place] * by_odd[0], sum, difference;
        for (tap = 1; tap < even_taps; tap++)
            even += evens[stride * tap + place] * by_even[step * tap];
        for (tap = 1; tap < odd_taps; tap++)
            odd += odds[stride * tap + place] * by_odd[step * tap];
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

#define MIRRORED_SUMS(name, even_taps, odd_taps, based)                                                                \
    static void name(const float *restrict evens, const float *restrict odds, const float *restrict even_sums,         \
                     size_t stride, const float *restrict by_even, const float *restrict by_odd, size_t step,                       \
                     const float *restrict base_here, const float *restrict base_mirror, size_t width,                 \
                     float *restrict here, float *restrict mirror)                                                     \
    {                                                                                                                  \
        mirrored_sums(evens, odds, even_sums, stride, by_even, by_odd, step, base_here, base_mirror, width, here, mirror,    \
                      even_taps, odd_taps, based);                                                                     \
    }

typedef void (*mirrored_function)(const float *restrict evens, const float *restrict odds,
                                  const float *restrict even_sums, size_t stride, const float *restrict by_even,
                                  const float *restrict by_odd, size_t step, const float *restrict base_here,
                                  const float *restrict base_mirror, size_t width, float *restrict here,
                                  float *restrict mirror);

MIRRORED_SUMS(own_1, 1, 0, 0)
MIRRORED_SUMS(own_2, 1, 1, 0)
MIRRORED_SUMS(own_3, 2, 1, 0)
MIRRORED_SUMS(own_4, 2, 2, 0)
MIRRORED_SUMS(own_5, 3, 2, 0)
MIRRORED_SUMS(own_6, 3, 3, 0)
MIRRORED_SUMS(own_7, 4, 3, 0)
MIRRORED_SUMS(own_8, 4, 4, 0)
MIRRORED_SUMS(based_1, 1, 0, 1)
MIRRORED_SUMS(based_2, 1, 1, 1)
MIRRORED_SUMS(based_3, 2, 1, 1)
MIRRORED_SUMS(based_4, 2, 2, 1)
MIRRORED_SUMS(based_5, 3, 2, 1)
MIRRORED_SUMS(based_6, 3, 3, 1)
MIRRORED_SUMS(based_7, 4, 3, 1)
MIRRORED_SUMS(based_8, 4, 4, 1)
MIRRORED_SUMS(odd_4, 0, 4, 0)
MIRRORED_SUMS(odd_5, 0, 5, 0)
MIRRORED_SUMS(odd_6, 0, 6, 0)
MIRRORED_SUMS(odd_7, 0, 7, 0)
MIRRORED_SUMS(odd_8, 0, 8, 0)

static void sum_rows(const row_pair *pair, uint32_t evens, uint32_t odds, float *restrict even_sums, float *restrict odd_sums)
{
    static const mirrored_function own[8] = {own_1, own_2, own_3, own_4, own_5, own_6, own_7, own_8};
    static const mirrored_function based[8] = {based_1, based_2, based_3, based_4, based_5, based_6, based_7, based_8};
    static const mirrored_function odd_taps[5] = {odd_4, odd_5, odd_6, odd_7, odd_8};
    const size_t wide = padded(pair->width);
    const uint32_t terms = evens + odds;
    const int few = terms >= 1u && terms <= 8u;
    mirrored_function sums;
    if (!few)
        weighted_lines(pair->evens, pair->stride, pair->by_even, pair->step, evens, wide, even_sums);
    if (!few && (pair->base_here != NULL || odds < 4u || odds > 8u)) {
        weighted_lines(pair->odds, pair->stride, pair->by_odd, pair->step, odds, wide, odd_sums);
        mirrored(even_sums, odd_sums, pair->width, pair->base_here, pair->base_mirror, pair->here, pair->mirror);
        return;
    }
    sums = !few ? odd_taps[odds - 4u] : pair->base_here == NULL ? own[terms - 1u] : based[terms - 1u];
    sums(pair->evens, pair->odds, even_sums, pair->stride, pair->by_even, pair->by_odd, pair->step, pair->base_here,
         pair->base_mirror, pair->width, pair->here, pair->mirror);
}

/* Sums over i for every j first, then over even and over odd j; a row and its mirror image share those sums. */
static void chebyshev_mesh(const pw_map *map, uint32_t columns, uint32_t rows, const float *restrict base,
                           float *restrict work, float *restrict directions)
{
    uint32_t counts[PW_MAX_PANEL_DEGREE + 1u], terms = map->columns, filled = filled_terms(map, counts), i, j, row;
    uint32_t evens = (filled + 1u) / 2u, odds = filled / 2u, all = pw_graded_count(terms - 1u), most = 0;
    size_t width = (size_t)columns * 2u, line = padded(columns), stride = 2u * line, tall = padded(rows);
    float *restrict in_s = work;                  /* (terms, line) */
    float *restrict in_t = in_s + line * terms;   /* (terms, tall) */
    float *restrict sums = in_t + tall * terms;   /* even j, then odd j; each (line, 2) */
    float *restrict even = sums + stride * terms; /* (line, 2) each */
    float *restrict odd = even + stride, *restrict spare = odd + stride;
    for (j = 0; j < filled; j++)
        most = counts[j] > most ? counts[j] : most;
    node_values(columns, rows == columns && filled > most ? filled : most, in_s);
    if (rows == columns)
        in_t = in_s;
    else
        node_values(rows, filled, in_t);
    for (j = 0; j < filled; j++) {
        float in_x[PW_MAX_PANEL_DEGREE + 1u], in_y[PW_MAX_PANEL_DEGREE + 1u];
        for (i = 0; i < counts[j]; i++) {
            uint32_t place = pw_graded_place(i, j);
            in_x[i] = map->coefficients[place];
            in_y[i] = map->coefficients[all + place];
        }
        weighted_lines(in_s, line, in_x, 1, counts[j], line, even);
        weighted_lines(in_s, line, in_y, 1, counts[j], line, odd);
        interleave(even, odd, line, sums + stride * (j / 2u + (j % 2u ? evens : 0u)));
    }
    for (row = 0; row < (rows + 1u) / 2u; row++) {
        uint32_t opposite = rows - 1u - row;
        row_pair pair;
        pair.evens = sums;
        pair.odds = sums + stride * evens;
        pair.even_sums = even;
        pair.by_even = in_t + row;
        pair.by_odd = in_t + tall + row;
        pair.step = 2u * tall;
        pair.stride = stride;
        pair.width = width;
        pair.base_here = base == NULL ? NULL : base + width * row;
        pair.base_mirror = base == NULL ? NULL : base + width * opposite;
        pair.here = directions + width * row;
        /* The middle row is its own mirror image: that goes to memory no longer needed. */
        pair.mirror = opposite == row ? spare : directions + width * opposite;
        sum_rows(&pair, evens, odds, even, odd);
    }
}

/* ---- meshes with modes, lattices ---- */

/* out = base + (lines[0] w[0] + .. + lines[taps - 1] w[taps - 1]) */
static inline void join_lines(const float *restrict lines, size_t stride, const float *restrict weights,
                              const float *restrict base, size_t count, float *restrict out, uint32_t taps, int based)
{
    size_t place;
    uint32_t tap;
    for (place = 0; place < count; place++) {
        float sum = weights[0] * lines[place];
        for (tap = 1; tap < taps; tap++)
            sum += weights[tap] * lines[stride * tap + place];
        out[place] = based ? base[place] + sum : sum;
    }
}

#define JOIN_LINES(name, taps, based)                                                                              \
    static void name(const float *restrict lines, size_t stride, const float *restrict weights,                    \
                     const float *restrict base, size_t count, float *restrict out)                                \
    {                                                                                                              \
        join_lines(lines, stride, weights, base, count, out, taps, based);                                         \
    }

JOIN_LINES(own_two, 2, 0)
JOIN_LINES(based_two, 2, 1)
JOIN_LINES(own_four, 4, 0)
JOIN_LINES(based_four, 4, 1)

typedef void (*join_function)(const float *restrict lines, size_t stride, const float *restrict weights,
                              const float *restrict base, size_t count, float *restrict out);

/* Down every line of coefficients first, then across; 2 or 4 of them weigh in. */
static void piecewise_mesh(const pw_map *map, uint32_t columns, uint32_t rows, const float *restrict base,
                           float *restrict work, float *restrict directions)
{
    static const join_function joins[4] = {own_two, based_two, own_four, based_four};
    const uint32_t kind = map->family == PW_FAMILY_SPLINE ? 2u : 0u;
    const join_function own = joins[kind], down = joins[kind + (base == NULL ? 0u : 1u)];
    size_t height = (size_t)map->rows * 2u, width = (size_t)columns * 2u, place;
    float *restrict line = work, *restrict across = work + height; /* across: (map->rows, columns, 2) */
    uint32_t column, row, first;
    float weights[4];
    for (column = 0; column < columns; column++) {
        float *restrict target = across + 2u * (size_t)column;
        (void)axis_weights(map->family, map->columns, node_position(column, columns), &first, weights);
        own(map->coefficients + height * first, height, weights, NULL, height, line);
        for (place = 0; place < height; place += 2u, target += width) {
            target[0] = line[place];
            target[1] = line[place + 1u];
        }
    }
    for (row = 0; row < rows; row++) {
        (void)axis_weights(map->family, map->rows, node_position(row, rows), &first, weights);
        down(across + width * first, width, weights, base == NULL ? NULL : base + width * row, width,
             directions + width * row);
    }
}

/* ---- any family ---- */

size_t pw_mesh_work_count(const pw_map *map, uint32_t columns, uint32_t rows)
{
    if (map->family == PW_FAMILY_CHEBYSHEV)
        return padded(columns) * (map->columns * 3u + 6u) + padded(rows) * map->columns;
    return (size_t)map->rows * 2u * ((size_t)columns + 1u);
}

pw_status pw_mesh(const pw_map *map, uint32_t columns, uint32_t rows, const float *base_directions, float *work,
                  size_t work_count, float *directions)
{
    if ((base_directions == NULL) != (map->base == NULL))
        return PW_NO_SUCH;
    if (columns < 2u || rows < 2u || columns > 4097u || rows > 4097u)
        return PW_NO_SUCH;
    if (work_count < pw_mesh_work_count(map, columns, rows))
        return PW_TOO_SMALL;
    if (map->family == PW_FAMILY_CHEBYSHEV)
        chebyshev_mesh(map, columns, rows, base_directions, work, directions);
    else
        piecewise_mesh(map, columns, rows, base_directions, work, directions);
    return PW_OK;
}
