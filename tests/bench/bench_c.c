/* Times one pupil update (all maps of a blob on a 65 x 65 mesh) beside the plain copy of its output and a plain trilinear
 * read of a 5 x 5 x 3 lattice of such meshes. Prints name and seconds, best of several. */
#define _POSIX_C_SOURCE 199309L

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "pw_lookup.h"

#define NODES 65u
#define MESH (NODES * NODES * 2u)
#define REPEATS 400
#define MEMORY (1u << 20)
#define MAPS 64u

static float memory[MEMORY], work[MEMORY];
static int32_t whole_memory[MEMORY], whole_work[MEMORY];

/* Prepares every map and, where `out` is given, draws its mesh; 0 on success. */
static int update(const pw_lookup *lookup, const float pupil[3], float *out)
{
    pw_map maps[MAPS];
    size_t used = 0;
    uint32_t map, base;
    for (map = 0; map < lookup->map_count; map++) {
        base = pw_base_of(lookup, map);
        if (pw_prepare(lookup, map, pupil, base == PW_NONE ? NULL : &maps[base], memory + used, MEMORY - used,
                       &maps[map]) != PW_OK)
            return 1;
        used += pw_coefficient_count(lookup, map);
        if (out != NULL && pw_mesh(&maps[map], NODES, NODES, base == PW_NONE ? NULL : out + (size_t)MESH * base, work,
                                   MEMORY, out + (size_t)MESH * map) != PW_OK)
            return 1;
    }
    return 0;
}

static int whole_update(const pw_lookup *lookup, const int32_t pupil[3], int32_t *out)
{
    pwx_map maps[MAPS];
    size_t used = 0;
    uint32_t map, base;
    for (map = 0; map < lookup->map_count; map++) {
        base = pw_base_of(lookup, map);
        if (pwx_prepare(lookup, map, pupil, base == PW_NONE ? NULL : &maps[base], whole_memory + used, MEMORY - used,
                        &maps[map]) != PW_OK)
            return 1;
        used += pw_coefficient_count(lookup, map);
        if (pwx_mesh(&maps[map], NODES, NODES, base == PW_NONE ? NULL : out + (size_t)MESH * base, whole_work, MEMORY,
                     out + (size_t)MESH * map) != PW_OK)
            return 1;
    }
    return 0;
}

static double seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void trilinear(const float *restrict lattice, size_t count, const float at[3], float *restrict out)
{
    size_t place, x = (size_t)at[0], y = (size_t)at[1], z = (size_t)at[2];
    float fx = at[0] - (float)x, fy = at[1] - (float)y, fz = at[2] - (float)z, w[8];
    const float *restrict c[8];
    unsigned k;
    for (k = 0; k < 8u; k++) {
        unsigned dx = k & 1u, dy = k >> 1 & 1u, dz = k >> 2;
        c[k] = lattice + count * (((z + dz) * 5u + y + dy) * 5u + x + dx);
        w[k] = (dx ? fx : 1.0f - fx) * (dy ? fy : 1.0f - fy) * (dz ? fz : 1.0f - fz);
    }
    for (place = 0; place < count; place++)
        out[place] = w[0] * c[0][place] + w[1] * c[1][place] + w[2] * c[2][place] + w[3] * c[3][place] +
                     w[4] * c[4][place] + w[5] * c[5][place] + w[6] * c[6][place] + w[7] * c[7][place];
}

int main(int count, char **names)
{
    double best[6] = {1e9, 1e9, 1e9, 1e9, 1e9, 1e9};
    unsigned char *blob;
    float *out, *other, *lattice;
    int32_t *whole_out;
    pw_lookup lookup;
    size_t size, all;
    int turn;
    FILE *file = count > 1 ? fopen(names[1], "rb") : NULL;
    if (file == NULL)
        return 2;
    fseek(file, 0, SEEK_END);
    size = (size_t)ftell(file);
    rewind(file);
    blob = malloc(size);
    if (blob == NULL || fread(blob, 1, size, file) != size || pw_open(&lookup, blob, size) != PW_OK ||
        lookup.map_count > MAPS)
        return 2;
    fclose(file);
    all = (size_t)MESH * lookup.map_count;
    out = calloc(all, sizeof *out);
    other = calloc(all, sizeof *other);
    lattice = calloc(all * 75u, sizeof *lattice);
    whole_out = calloc(all, sizeof *whole_out);
    if (out == NULL || other == NULL || lattice == NULL || whole_out == NULL)
        return 2;
    for (turn = 0; turn < REPEATS; turn++) {
        float pupil[3], at[3];
        int32_t pupil_whole[3];
        double start[7];
        unsigned axis;
        for (axis = 0; axis < 3u; axis++) {
            pupil[axis] = (float)((turn * (7 + (int)axis)) % 13) / 13.0f - 0.5f;
            at[axis] = pupil[axis] + (axis == 2u ? 0.9f : 1.9f);
            pupil_whole[axis] = (int32_t)(pupil[axis] * 65536.0f);
        }
        start[0] = seconds();
        memcpy(other, out, all * sizeof *out);
        start[1] = seconds();
        trilinear(lattice, all, at, other);
        start[2] = seconds();
        if (update(&lookup, pupil, NULL) != 0)
            return 3;
        start[3] = seconds();
        if (update(&lookup, pupil, out) != 0)
            return 3;
        start[4] = seconds();
        if (turn % 8 == 0 && whole_update(&lookup, pupil_whole, whole_out) != 0)
            return 3;
        start[5] = seconds();
        for (axis = 0; axis < 5u; axis++) {
            double took = start[axis + 1u] - start[axis];
            if (took < best[axis] && (axis < 4u || turn % 8 == 0))
                best[axis] = took;
        }
    }
    printf("copy %.9f\ntrilinear %.9f\nprepare %.9f\nupdate %.9f\nfixed_update %.9f\n", best[0], best[1], best[2],
           best[3], best[4]);
    free(blob);
    free(out);
    free(other);
    free(lattice);
    free(whole_out);
    return 0;
}
