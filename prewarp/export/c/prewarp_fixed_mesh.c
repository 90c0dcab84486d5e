/* Meshes of the integer path: the sums of the float path, in numbers of 2^-28. */
#include "prewarp_fixed.h"

/* Polynomials are numbers of 2^-26: products with them for all terms, at most 41 of 2^57, fit in 64 bits. */
#define VALUE_ONE 26

static int64_t node_position(uint32_t place, uint32_t count)
{
    int64_t last = (int64_t)count - 1;
    return (2 * (int64_t)place - last) * UNIT / last;
}

/* sum of numbers x weights, 2^-54 */
static inline int64_t sum_of(const int32_t *numbers, size_t stride, const int32_t *weights, uint32_t taps)
{
    int64_t sum = 0;
    for (; taps > 0u; taps--, numbers += stride, weights += 2)
        sum += (int64_t)*numbers * *weights;
    return sum;
}

/* Of the coefficients of both components: how many i each j has, without zeros at the end; returns how many j. */
static uint32_t filled_terms(const prewarp_fixed_map *map, uint32_t *counts)
{
    uint32_t terms = map->columns, all = prewarp_graded_count(terms - 1u), j, filled = 0;
    const int32_t *own = map->coefficients;
    for (j = 0; j < terms; j++) {
        uint32_t i = terms - j, place = prewarp_term_place(terms - 1u, i - 1u, j);
        while (i > 0u && own[place] == 0 && own[all + place] == 0) {
            i--;
            place -= i > 0u ? prewarp_term_step(i + j - 1u, j) : 0u;
        }
        counts[j] = i;
        if (counts[j] > 0u)
            filled = j + 1u;
    }
    return filled;
}

/* T_0 .. T_terms-1 of the first half of the nodes of an axis: (half, terms) */
static void node_values(uint32_t count, uint32_t terms, int32_t *values)
{
    uint32_t place, k;
    for (place = 0; place < (count + 1u) / 2u; place++, values += terms) {
        chebyshev(node_position(place, count), terms - 1u, values);
        for (k = 0; k < terms; k++)
            values[k] = (int32_t)rounded(values[k], ONE - VALUE_ONE);
    }
}

/* Sums over i for every j: lines of nodes (tx, ty). A node and its mirror image share sums over even and odd i. */
static void lines_of(const prewarp_fixed_map *map, const uint32_t *counts, uint32_t filled, const int32_t *in_s,
                     uint32_t columns, int32_t *lines)
{
    uint32_t terms = map->columns, component, i, j, column;
    int32_t factors[PREWARP_MAX_PANEL_DEGREE + 1u];
    const int32_t *own = map->coefficients;
    for (component = 0; component < 2u; component++, own += prewarp_graded_count(terms - 1u)) {
        for (j = 0; j < filled; j++) {
            int32_t *line = lines + (size_t)columns * 2u * j + component;
            uint32_t place = prewarp_term_place(terms - 1u, 0, j);
            for (i = 0; i < counts[j]; place += prewarp_term_step(i + j, j), i++)
                factors[i] = own[place];
            for (column = 0; column < (columns + 1u) / 2u; column++) {
                const int32_t *values = in_s + (size_t)terms * column;
                int64_t even = sum_of(factors, 2, values, (counts[j] + 1u) / 2u);
                int64_t odd = sum_of(factors + 1, 2, values + 1, counts[j] / 2u);
                line[2u * column] = cut(rounded(even + odd, VALUE_ONE));
                line[2u * (columns - 1u - column)] = cut(rounded(even - odd, VALUE_ONE));
            }
        }
    }
}

/* Sums over i first, then over j; a row and its mirror image share sums over even and over odd j. */
static void chebyshev_mesh(const prewarp_fixed_map *map, uint32_t columns, uint32_t rows, prewarp_strip strip,
                           const int32_t *base, int32_t *work, int32_t *directions)
{
    uint32_t counts[PREWARP_MAX_PANEL_DEGREE + 1u], terms = map->columns, filled = filled_terms(map, counts), row;
    uint32_t evens = (filled + 1u) / 2u, odds = filled / 2u;
    size_t width = (size_t)columns * 2u, place;
    int32_t *lines = work, *in_s = lines + width * terms, *in_t = in_s + (size_t)terms * ((columns + 1u) / 2u);
    node_values(columns, terms, in_s);
    node_values(rows, terms, in_t);
    lines_of(map, counts, filled, in_s, columns, lines);
    for (row = 0; row < (rows + 1u) / 2u; row++) {
        const int32_t *values = in_t + (size_t)terms * row;
        const uint32_t opposite = rows - 1u - row;
        const int drawn = prewarp_in_strip(strip, row), mirrored = prewarp_in_strip(strip, opposite);
        const size_t here = drawn ? width * (row - strip.first) : 0u;
        const size_t mirror = mirrored ? width * (opposite - strip.first) : 0u;
        if (!drawn && !mirrored)
            continue;
        for (place = 0; place < width; place++) {
            int64_t even = sum_of(lines + place, 2u * width, values, evens);
            int64_t odd = sum_of(lines + width + place, 2u * width, values + 1, odds);
            if (mirrored)
                directions[mirror + place] =
                    cut(rounded(even - odd, VALUE_ONE) + (base != NULL ? base[mirror + place] : 0));
            if (drawn)
                directions[here + place] = cut(rounded(even + odd, VALUE_ONE) + (base != NULL ? base[here + place] : 0));
        }
    }
}

static void spline_mesh(const prewarp_fixed_map *map, uint32_t columns, uint32_t rows, prewarp_strip strip,
                        const int32_t *base, int32_t *work, int32_t *directions)
{
    size_t width = (size_t)columns * 2u, height = (size_t)map->rows * 2u, place;
    uint32_t column, row, first;
    int64_t weights[4];
    for (column = 0; column < columns; column++) {
        first = spline_weights(map->columns, node_position(column, columns), weights);
        for (place = 0; place < height; place++)
            work[width * (place / 2u) + 2u * column + place % 2u] =
                weighted(map->coefficients + height * first + place, height, weights);
    }
    for (row = 0; row < strip.count; row++, directions += width) {
        first = spline_weights(map->rows, node_position(strip.first + row, rows), weights);
        for (place = 0; place < width; place++)
            directions[place] = weighted(work + width * first + place, width, weights);
        for (place = 0; base != NULL && place < width; place++)
            directions[place] = cut((int64_t)base[width * row + place] + directions[place]);
    }
}

static uint32_t base_of(const prewarp_fixed_map *maps, uint32_t map)
{
    return prewarp_place_of_base(maps, sizeof *maps, map, maps[map].base);
}

size_t prewarp_fixed_meshes_work_count(const prewarp_fixed_map *maps, uint32_t count, uint32_t columns, uint32_t rows)
{
    size_t most = 0, needed;
    for (; count > 0u; count--, maps++) {
        needed = (size_t)maps->rows * columns * 2u;
        if (maps->family == PREWARP_FAMILY_CHEBYSHEV)
            needed = maps->columns * ((size_t)columns * 2u + (columns + 1u) / 2u + (rows + 1u) / 2u);
        most = needed > most ? needed : most;
    }
    return most;
}

prewarp_status prewarp_fixed_mesh_rows(const prewarp_fixed_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                                       uint32_t first_row, uint32_t row_count, int32_t *work, size_t work_count,
                                       int32_t *directions)
{
    const prewarp_strip strip = {first_row, row_count};
    const size_t size = (size_t)columns * row_count * 2u;
    int complete = 1;
    uint32_t map;
    prewarp_status status;
    for (map = 0; map < count; map++)
        complete = complete && (maps[map].base == NULL || base_of(maps, map) != PREWARP_NONE);
    status = prewarp_mesh_request(complete, columns, rows, strip, work_count,
                                  prewarp_fixed_meshes_work_count(maps, count, columns, rows));
    if (status != PREWARP_OK)
        return status;
    for (map = 0; map < count; map++) {
        const uint32_t place = base_of(maps, map);
        const int32_t *below = place == PREWARP_NONE ? NULL : directions + size * place;
        if (maps[map].family == PREWARP_FAMILY_CHEBYSHEV)
            chebyshev_mesh(&maps[map], columns, rows, strip, below, work, directions + size * map);
        else
            spline_mesh(&maps[map], columns, rows, strip, below, work, directions + size * map);
    }
    return PREWARP_OK;
}

prewarp_status prewarp_fixed_meshes(const prewarp_fixed_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                                    int32_t *work, size_t work_count, int32_t *directions)
{
    return prewarp_fixed_mesh_rows(maps, count, columns, rows, 0, rows, work, work_count, directions);
}
