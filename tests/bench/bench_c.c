/* Times one pupil update (all maps of a blob on a 65 x 65 mesh) beside the plain copy of its output, a plain trilinear read
 * of a 5 x 5 x 3 lattice of such meshes and a sum of six such modes. Caches are warm: everything runs several times in a
 * row, and the quickest counts. Prints name, quartiles and median over many rounds of the ratio to the same round's copy;
 * for the copy, seconds. */
#define _POSIX_C_SOURCE 199309L

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "prewarp_lookup.h"

#define NODES 65u
#define MESH (NODES * NODES * 2u)
#define ROUNDS 61
#define TIMES 12
#define MEMORY (1u << 20)
#define MAPS 64u
#define PUPILS 75u
#define MODES 6u

static prewarp_lookup lookup;
static float memory[MEMORY], work[MEMORY], pupil_mm[3];
static int32_t whole_memory[MEMORY], whole_work[MEMORY], whole_pupil[3];
static prewarp_map maps[MAPS];
static prewarp_fixed_map whole_maps[MAPS];
static float *out, *other, *lattice;
static int32_t *whole_out;
static size_t all;

static void require(int condition)
{
    if (!condition)
        exit(3);
}

static void copy(void)
{
    memcpy(other, out, all * sizeof *out);
}

static void weigh(const float *restrict first, size_t count, float x, float y, float z, float *restrict result)
{
    const float *restrict c1 = first + count, *restrict c2 = first + count * 5u, *restrict c3 = c2 + count;
    const float *restrict c4 = first + count * 25u, *restrict c5 = c4 + count, *restrict c6 = c4 + count * 5u;
    const float *restrict c7 = c6 + count;
    float w0 = (1 - x) * (1 - y) * (1 - z), w1 = x * (1 - y) * (1 - z), w2 = (1 - x) * y * (1 - z), w3 = x * y * (1 - z);
    float w4 = (1 - x) * (1 - y) * z, w5 = x * (1 - y) * z, w6 = (1 - x) * y * z, w7 = x * y * z;
    size_t place;
    for (place = 0; place < count; place++)
        result[place] = w0 * first[place] + w1 * c1[place] + w2 * c2[place] + w3 * c3[place] + w4 * c4[place] +
                        w5 * c5[place] + w6 * c6[place] + w7 * c7[place];
}

static void trilinear(void)
{
    float at[3];
    size_t axis, first[3];
    for (axis = 0; axis < 3u; axis++) {
        at[axis] = pupil_mm[axis] + (axis == 2u ? 0.9f : 1.9f);
        first[axis] = (size_t)at[axis];
    }
    weigh(lattice + all * ((first[2] * 5u + first[1]) * 5u + first[0]), all, at[0] - (float)first[0],
          at[1] - (float)first[1], at[2] - (float)first[2], other);
}

static void sum_modes(const float *restrict modes, size_t count, const float *restrict weights, float *restrict result)
{
    size_t place;
    float w0 = weights[0], w1 = weights[1], w2 = weights[2], w3 = weights[3], w4 = weights[4], w5 = weights[5];
    for (place = 0; place < count; place++)
        result[place] = w0 * modes[place] + w1 * modes[count + place] + w2 * modes[2u * count + place] +
                        w3 * modes[3u * count + place] + w4 * modes[4u * count + place] +
                        w5 * modes[5u * count + place];
}

static void six_modes(void)
{
    float weights[MODES];
    uint32_t mode;
    for (mode = 0; mode < MODES; mode++)
        weights[mode] = pupil_mm[mode % 3u] + (float)mode;
    sum_modes(lattice, all, weights, other);
}

static void prepare(void)
{
    size_t used = 0;
    uint32_t map;
    for (map = 0; map < lookup.map_count; map++) {
        uint32_t base = prewarp_base_of(&lookup, map);
        require(prewarp_prepare(&lookup, map, pupil_mm, base == PREWARP_NONE ? NULL : &maps[base], memory + used, MEMORY - used,
                           &maps[map]) == PREWARP_OK);
        used += prewarp_coefficient_count(&lookup, map);
    }
}

static void update(void)
{
    prepare();
    require(prewarp_meshes(maps, lookup.map_count, NODES, NODES, work, MEMORY, out) == PREWARP_OK);
}

static void integers(void)
{
    size_t used = 0;
    uint32_t map;
    for (map = 0; map < lookup.map_count; map++) {
        uint32_t base = prewarp_base_of(&lookup, map);
        require(prewarp_fixed_prepare(&lookup, map, whole_pupil, base == PREWARP_NONE ? NULL : &whole_maps[base], whole_memory + used,
                            MEMORY - used, &whole_maps[map]) == PREWARP_OK);
        used += prewarp_coefficient_count(&lookup, map);
    }
    require(prewarp_fixed_meshes(whole_maps, lookup.map_count, NODES, NODES, whole_work, MEMORY, whole_out) == PREWARP_OK);
}

static const struct {
    const char *name;
    void (*run)(void);
    int times;
} items[] = {{"copy", copy, TIMES},       {"trilinear", trilinear, TIMES}, {"modes", six_modes, TIMES},
             {"prepare", prepare, TIMES}, {"update", update, TIMES},       {"integers", integers, 2}};
#define ITEMS (sizeof items / sizeof *items)

static double quickest(void (*run)(void), int times)
{
    double best = 1e9;
    run();
    while (times-- > 0) {
        struct timespec before, after;
        double took;
        clock_gettime(CLOCK_MONOTONIC, &before);
        run();
        clock_gettime(CLOCK_MONOTONIC, &after);
        took = (double)(after.tv_sec - before.tv_sec) + 1e-9 * (double)(after.tv_nsec - before.tv_nsec);
        best = took < best ? took : best;
    }
    return best;
}

static int ordered(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void open_file(const char *name)
{
    FILE *file = fopen(name, "rb");
    unsigned char *blob;
    size_t size;
    require(file != NULL);
    fseek(file, 0, SEEK_END);
    size = (size_t)ftell(file);
    rewind(file);
    blob = malloc(size); /* kept: the lookup points into it */
    require(blob != NULL && fread(blob, 1, size, file) == size && prewarp_open(&lookup, blob, size) == PREWARP_OK &&
            lookup.map_count <= MAPS);
    fclose(file);
}

int main(int count, char **names)
{
    static double took[ITEMS][ROUNDS];
    size_t item, place;
    int turn;
    require(count == 2);
    open_file(names[1]);
    all = (size_t)MESH * lookup.map_count;
    out = calloc(all, sizeof *out);
    other = calloc(all, sizeof *other);
    lattice = malloc(all * PUPILS * sizeof *lattice);
    whole_out = calloc(all, sizeof *whole_out);
    require(out != NULL && other != NULL && lattice != NULL && whole_out != NULL);
    for (place = 0; place < all * PUPILS; place++)
        lattice[place] = 0.25f + 1e-6f * (float)(place % 1000u);
    for (turn = 0; turn < ROUNDS; turn++) {
        int axis;
        for (axis = 0; axis < 3; axis++) {
            pupil_mm[axis] = (float)((turn * (7 + axis)) % 13) / 13.0f - 0.5f;
            whole_pupil[axis] = (int32_t)(pupil_mm[axis] * 65536.0f);
        }
        for (item = 0; item < ITEMS; item++)
            took[item][turn] = quickest(items[item].run, items[item].times);
    }
    for (item = ITEMS; item-- > 0u;) { /* the copy last: the others are divided by it */
        for (turn = 0; turn < ROUNDS && item > 0u; turn++)
            took[item][turn] /= took[0][turn];
        qsort(took[item], ROUNDS, sizeof(double), ordered);
        printf("%s %.9f %.9f %.9f\n", items[item].name, took[item][ROUNDS / 4], took[item][ROUNDS / 2],
               took[item][ROUNDS * 3 / 4]);
    }
    return 0;
}
