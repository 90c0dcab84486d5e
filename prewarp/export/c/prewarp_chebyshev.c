/* Chebyshev meshes of the float32 path. Sums over i for every j are lines of nodes; a mesh row is a sum over lines.
 * A row and its mirror image share sums over even and odd j, and a map shares its sums with those that build on it. */
#include "prewarp_lines.h"

/* Maps drawn together: a base and those that build on it; where there are more, in several rounds. */
#define TOGETHER 8u
/* Lines for sums: even and odd of the base, even and odd of another map, one that nobody reads. */
#define SUMS 5u
/* Of work memory, bytes: vectors across cache lines are slow. */
#define ALIGNMENT 32u

/* Of the coefficients of both components: how many i each j has, without zeros at the end; returns how many j. */
static uint32_t filled_terms(const prewarp_map *map, uint32_t *counts)
{
    uint32_t terms = map->columns, all = prewarp_graded_count(terms - 1u), j, filled = 0;
    const float *own = map->coefficients;
    for (j = 0; j < terms; j++) {
        uint32_t i = terms - j, place = prewarp_term_place(terms - 1u, i - 1u, j);
        while (i > 0u && own[place] == 0.0f && own[all + place] == 0.0f) {
            i--;
            place -= i > 0u ? prewarp_term_step(i + j - 1u, j) : 0u;
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

/* T_0 .. T_terms-1, at least two, of all nodes of an axis: (terms, prewarp_padded(count)); finite beyond the nodes */
static void node_values(uint32_t count, uint32_t terms, float *restrict values)
{
    size_t width = prewarp_padded(count);
    int32_t last = (int32_t)count - 1, place, end = (int32_t)width;
    float length = (float)last;
    uint32_t k;
    for (place = 0; place < end; place++)
        values[place] = 1.0f;
    values += width;
    for (place = 0; place < end; place++)
        values[place] = (float)(2 * (place < last ? place : last) - last) / length;
    for (k = 2; k < terms; k++)
        next_values(values, values + width * k - 3u * width, width, values + width * (k - 1u));
}

/* Lines of a map, written to `memory`: those of even j, then those of odd j */
static prewarp_lines lines_of(const prewarp_map *map, const float *in_s, size_t line, float *memory)
{
    const size_t stride = 2u * line, all = prewarp_graded_count(map->columns - 1u);
    uint32_t counts[PREWARP_MAX_PANEL_DEGREE + 1u], filled = filled_terms(map, counts), evens, i, j;
    prewarp_lines lines;
    lines.terms = filled < 2u ? 2u : filled;
    evens = (lines.terms + 1u) / 2u;
    lines.stride = stride;
    lines.even = memory;
    lines.odd = memory + stride * evens;
    for (j = 0; j < lines.terms; j++) {
        float in_x[PREWARP_MAX_PANEL_DEGREE + 1u], in_y[PREWARP_MAX_PANEL_DEGREE + 1u];
        uint32_t count = j < filled ? counts[j] : 0u, place = prewarp_term_place(map->columns - 1u, 0, j);
        for (i = 0; i < count; i++) {
            in_x[i] = map->coefficients[place];
            in_y[i] = map->coefficients[all + place];
            place += prewarp_term_step(i + j, j);
        }
        prewarp_line_of(in_s, line, in_x, in_y, count, memory + stride * (j / 2u + (j % 2u ? evens : 0u)));
    }
    return lines;
}

/* Of the Chebyshev maps, at least two; 0: there are none. */
static uint32_t most_terms(const prewarp_map *maps, uint32_t count)
{
    uint32_t most = 0;
    for (; count > 0u; count--, maps++) {
        uint32_t terms = maps->columns < 2u ? 2u : maps->columns;
        if (maps->family == PREWARP_FAMILY_CHEBYSHEV && terms > most)
            most = terms;
    }
    return most;
}

size_t prewarp_chebyshev_work_count(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows)
{
    size_t line = prewarp_padded(columns), terms = most_terms(maps, count);
    if (terms == 0u)
        return 0;
    return (line + prewarp_padded(rows)) * terms + 2u * line * (SUMS + terms * (count < TOGETHER ? count : TOGETHER)) +
           ALIGNMENT / sizeof(float);
}

static float *aligned(float *work)
{
    uintptr_t beyond = (uintptr_t)work % ALIGNMENT;
    return beyond > 0u ? work + (ALIGNMENT - beyond) / sizeof *work : work;
}

/* Rows of all maps drawn together; the first is the base of the others. in_t: (terms, tall) */
static void draw_together(const prewarp_lines *lines, float *const *meshes, uint32_t count, const float *in_t,
                          size_t tall, uint32_t columns, uint32_t rows, prewarp_strip strip, float *sums)
{
    const size_t width = (size_t)columns * 2u, stride = lines->stride;
    float *even = sums, *odd = sums + stride, *own_sums = odd + stride, *spare = own_sums + 2u * stride;
    uint32_t row, map;
    for (row = 0; row < (rows + 1u) / 2u; row++, in_t++) {
        const uint32_t opposite = rows - 1u - row;
        const int drawn = prewarp_in_strip(strip, row), mirrored = opposite != row && prewarp_in_strip(strip, opposite);
        if (!drawn && !mirrored)
            continue;
        prewarp_row_sums(lines, in_t, tall, prewarp_padded(width), even, odd);
        for (map = 0; map < count; map++) {
            /* One that is not asked for goes where nobody reads it; the middle row is its own mirror image. */
            float *here = drawn ? meshes[map] + width * (row - strip.first) : spare;
            float *mirror = mirrored ? meshes[map] + width * (opposite - strip.first) : spare;
            if (map == 0u)
                prewarp_draw_rows(even, odd, width, here, mirror);
            else
                prewarp_draw_more(even, odd, &lines[map], in_t, tall, width, own_sums, here, mirror);
        }
    }
}

static int has_base(const prewarp_map *map)
{
    return map->base != NULL && map->base->family == PREWARP_FAMILY_CHEBYSHEV;
}

void prewarp_chebyshev_meshes(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                              prewarp_strip strip, float *work, float *directions)
{
    const size_t line = prewarp_padded(columns), tall = prewarp_padded(rows), size = (size_t)columns * strip.count * 2u;
    const uint32_t terms = most_terms(maps, count);
    float *in_s, *in_t, *sums, *memory, *meshes[TOGETHER];
    prewarp_lines lines[TOGETHER];
    uint32_t base, map, found;
    if (terms == 0u)
        return;
    in_s = aligned(work);
    in_t = in_s + line * terms;
    sums = in_t + tall * terms;
    memory = sums + 2u * line * SUMS;
    node_values(columns, terms, in_s);
    if (rows == columns)
        in_t = in_s;
    else
        node_values(rows, terms, in_t);
    for (base = 0; base < count; base++) {
        if (maps[base].family != PREWARP_FAMILY_CHEBYSHEV || has_base(&maps[base]))
            continue;
        lines[0] = lines_of(&maps[base], in_s, line, memory);
        meshes[0] = directions + size * base;
        map = base + 1u;
        do {
            for (found = 1; found < TOGETHER && map < count; map++) {
                if (maps[map].base != &maps[base] || maps[map].family != PREWARP_FAMILY_CHEBYSHEV)
                    continue;
                lines[found] = lines_of(&maps[map], in_s, line, memory + 2u * line * terms * found);
                meshes[found++] = directions + size * map;
            }
            draw_together(lines, meshes, found, in_t, tall, columns, rows, strip, sums);
        } while (map < count);
    }
}
