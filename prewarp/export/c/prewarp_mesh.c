/* Meshes of the float32 path; those between coefficients on a mesh are drawn here. */
#include "prewarp_float.h"

/* out = base + (lines[0] w[0] + .. + lines[3] w[3]) */
static inline void join_lines(const float *restrict lines, size_t stride, const float *restrict weights,
                              const float *restrict base, size_t count, float *restrict out, int based)
{
    size_t place;
    uint32_t tap;
    for (place = 0; place < count; place++) {
        float sum = weights[0] * lines[place];
        for (tap = 1; tap < 4u; tap++)
            sum += weights[tap] * lines[stride * tap + place];
        out[place] = based ? base[place] + sum : sum;
    }
}

static void join_own(const float *restrict lines, size_t stride, const float *restrict weights, size_t count,
                     float *restrict out)
{
    join_lines(lines, stride, weights, NULL, count, out, 0);
}

static void join_based(const float *restrict lines, size_t stride, const float *restrict weights,
                       const float *restrict base, size_t count, float *restrict out)
{
    join_lines(lines, stride, weights, base, count, out, 1);
}

/* Down every line of coefficients first, then across; four of them weigh in. */
static void spline_mesh(const prewarp_map *map, uint32_t columns, uint32_t rows, prewarp_strip strip,
                        const float *restrict base, float *restrict work, float *restrict directions)
{
    size_t height = (size_t)map->rows * 2u, width = (size_t)columns * 2u, place;
    float *restrict line = work, *restrict across = work + height; /* across: (map->rows, columns, 2) */
    uint32_t column, row, first;
    float weights[4];
    for (column = 0; column < columns; column++) {
        float *restrict target = across + 2u * (size_t)column;
        first = spline_weights(map->columns, node_position(column, columns), weights);
        join_own(map->coefficients + height * first, height, weights, height, line);
        for (place = 0; place < height; place += 2u, target += width) {
            target[0] = line[place];
            target[1] = line[place + 1u];
        }
    }
    for (row = 0; row < strip.count; row++) {
        first = spline_weights(map->rows, node_position(strip.first + row, rows), weights);
        if (base == NULL)
            join_own(across + width * first, width, weights, width, directions + width * row);
        else
            join_based(across + width * first, width, weights, base + width * row, width, directions + width * row);
    }
}

static uint32_t base_of(const prewarp_map *maps, uint32_t map)
{
    return prewarp_place_of_base(maps, sizeof *maps, map, maps[map].base);
}

static void add_mesh(const float *restrict base, size_t count, float *restrict directions)
{
    size_t place;
    for (place = 0; place < count; place++)
        directions[place] = base[place] + directions[place];
}

size_t prewarp_meshes_work_count(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows)
{
    size_t most = prewarp_chebyshev_work_count(maps, count, columns, rows);
    for (; count > 0u; count--, maps++) {
        size_t needed = (size_t)maps->rows * 2u * ((size_t)columns + 1u);
        if (maps->family != PREWARP_FAMILY_CHEBYSHEV && needed > most)
            most = needed;
    }
    return most;
}

prewarp_status prewarp_mesh_rows(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                                 uint32_t first_row, uint32_t row_count, float *work, size_t work_count,
                                 float *directions)
{
    const prewarp_strip strip = {first_row, row_count};
    const size_t size = (size_t)columns * row_count * 2u;
    int complete = 1;
    uint32_t map;
    prewarp_status status;
    for (map = 0; map < count; map++)
        complete = complete && (maps[map].base == NULL || base_of(maps, map) != PREWARP_NONE);
    status = prewarp_mesh_request(complete, columns, rows, strip, work_count,
                                  prewarp_meshes_work_count(maps, count, columns, rows));
    if (status != PREWARP_OK)
        return status;
    prewarp_chebyshev_meshes(maps, count, columns, rows, strip, work, directions);
    for (map = 0; map < count; map++) {
        const uint32_t place = base_of(maps, map);
        const float *below = place == PREWARP_NONE ? NULL : directions + size * place;
        if (maps[map].family != PREWARP_FAMILY_CHEBYSHEV)
            spline_mesh(&maps[map], columns, rows, strip, below, work, directions + size * map);
        else if (below != NULL && maps[place].family != PREWARP_FAMILY_CHEBYSHEV)
            add_mesh(below, size, directions + size * map);
    }
    return PREWARP_OK;
}

prewarp_status prewarp_meshes(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows, float *work,
                              size_t work_count, float *directions)
{
    return prewarp_mesh_rows(maps, count, columns, rows, 0, rows, work, work_count, directions);
}
