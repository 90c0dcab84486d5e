/* ns a direction of what the float path says of light, beside the direction of a panel point and a clock cycle: a quarter of
 * x = x a + b, of which each waits for the one before (an integer product takes 3 cycles, a sum 1: common practice of PC
 * cores). Everything in turn, the least of many rounds. Arguments: a blob. */
#include "prewarp_lookup.h"

#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define COLUMNS 385u
#define COUNT (COLUMNS * 193u)
#define ROUNDS 31u

static float directions[COUNT][2], rows[COUNT][2], claims_of[COUNT * PREWARP_MAX_CHANNELS], depths_of[COUNT * PREWARP_MAX_CHANNELS], sink;

static double now(void)
{
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec * 1e9 + (double)time.tv_nsec;
}

static double cycle(void)
{
    static uint32_t x = 1u;
    const double start = now();
    uint32_t k;
    for (k = 0; k < 100000u; k++)
        x = x * 1664525u + 1013904223u;
    sink += (float)(x >> 8);
    return (now() - start) / 4e5;
}

static double took_of(const prewarp_light *light, int what)
{
    double start;
    float claims[PREWARP_MAX_CHANNELS], depths[PREWARP_MAX_CHANNELS], out[2], panel[2];
    uint32_t k;
    if (what == 0)
        return cycle();
    start = now();
    if (what == 4)
        prewarp_weights_of(light, rows[0], COUNT, claims_of);
    else if (what == 5)
        prewarp_shares_of(light, rows[0], COUNT, 2.0f, claims_of);
    else if (what == 6)
        prewarp_claims_and_depths_of(light, rows[0], COUNT, 2.0f, claims_of, depths_of);
    for (k = 0; k < COUNT && what < 4; k++) {
        if (what == 1) {
            panel[0] = 200.0f + 1000.0f * directions[k][0];
            panel[1] = 200.0f + 1000.0f * directions[k][1];
            prewarp_direction_from_panel(light->maps, panel, out);
            sink += out[0];
        } else if (what == 2) {
            prewarp_weights(light, directions[k], claims);
            sink += claims[0];
        } else {
            prewarp_claims_and_depths(light, directions[k], 2.0f, claims, depths);
            sink += claims[0] + depths[1];
        }
    }
    return (now() - start) / COUNT;
}

static const char *const names_of[] = {"cycle",           "direction",      "weights", "claims_and_depths",
                                       "weights_of_rows", "shares_of_rows", "claims_and_depths_of_rows"};
#define ITEMS (sizeof names_of / sizeof *names_of)

int main(int count, char **names)
{
    double best[ITEMS];
    uint32_t round;
    static unsigned char bytes[1 << 20];
    prewarp_lookup lookup;
    prewarp_light light;
    prewarp_map maps[PREWARP_MAX_CHANNELS * PREWARP_MAX_COLOURS];
    float pupil[3] = {1.0f, -0.5f, 0.25f}, *memory;
    size_t size;
    uint32_t map, k, base;
    FILE *file = count > 1 ? fopen(names[1], "rb") : NULL;
    if (file == NULL)
        return 2;
    size = fread(bytes, 1, sizeof bytes, file);
    fclose(file);
    if (prewarp_open(&lookup, bytes, size) != PREWARP_OK)
        return 3;
    for (map = 0; map < lookup.map_count; map++) {
        size_t needed = prewarp_coefficient_count(&lookup, map);
        base = prewarp_base_of(&lookup, map);
        if (prewarp_prepare(&lookup, map, pupil, base == PREWARP_NONE ? NULL : maps + base, malloc(4u * needed), needed,
                            maps + map) != PREWARP_OK)
            return 4;
    }
    memory = malloc(4u * prewarp_light_count(&lookup));
    if (prewarp_prepare_light(&lookup, pupil, maps, lookup.map_count, memory, prewarp_light_count(&lookup), &light) !=
        PREWARP_OK)
        return 5;
    for (k = 0; k < COUNT; k++) {
        directions[k][0] = (float)((k * 7919u) % 10007u) / 10007.0f - 0.5f;
        directions[k][1] = 0.6f * ((float)((k * 104729u) % 10009u) / 10009.0f - 0.5f);
    }
    for (k = 0; k < COUNT; k++) {
        rows[k][0] = (float)(k % COLUMNS) / (float)COLUMNS - 0.5f;
        rows[k][1] = 0.6f * ((float)(k / COLUMNS) / 193.0f - 0.5f);
    }
    for (round = 0; round < ROUNDS; round++) {
        for (k = 0; k < ITEMS; k++) {
            const double took = took_of(&light, (int)k);
            best[k] = round == 0u || took < best[k] ? took : best[k];
        }
    }
    for (k = 0; k < ITEMS; k++)
        printf("%s %g\n", names_of[k], best[k]);
    return sink > 1e30f;
}
