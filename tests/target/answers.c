/* What the C evaluator answers for one blob, as checksums of the bits of every number: the same lines on every machine.
 *
 * The blob is linked in (`blob`, `blob_size`). Memory is static and of one size: parts without a heap run this too.
 * Lines "integer ..." come from the integer path alone; with ANSWERS_INTEGER_ONLY no float is touched. */
#include "prewarp_lookup.h"
#include "prewarp_names.h"
#include "prewarp_turn.h"

#include <stdio.h>
#include <string.h>

extern const unsigned char blob[];
extern const unsigned blob_size;

#ifndef ANSWERS_MEMORY
#define ANSWERS_MEMORY 40000
#endif
enum { MOST_MAPS = 6, COLUMNS = 17, ROWS = 9, POINTS = 24, LINE = 37 };

static uint32_t sum_of(uint32_t crc, const void *numbers, size_t count)
{
    const unsigned char *place = numbers;
    uint32_t bit, byte, word;
    crc = ~crc;
    for (; count > 0u; count--, place += sizeof word) {
        memcpy(&word, place, sizeof word);
        for (byte = 0; byte < 4u; byte++) { /* lowest first, whatever the order in memory */
            crc ^= word >> 8u * byte & 255u;
            for (bit = 0; bit < 8u; bit++)
                crc = crc >> 1 ^ (crc & 1u ? 0xEDB88320u : 0u);
        }
    }
    return ~crc;
}

static void told(const char *what, uint32_t map, uint32_t crc)
{
    printf("%s %lu %08lx\n", what, (unsigned long)map, (unsigned long)crc);
}

#ifndef ANSWERS_INTEGER_ONLY
static void by_floats(const prewarp_lookup *lookup, const float pupil[3])
{
    static const prewarp_scan scan = {0.001f, 1e-6f, 2e-5f};
    static const prewarp_head head = {{1.5f, -3.0f, 0.5f}, 0.002f};
    static float memory[ANSWERS_MEMORY], mesh[2u * COLUMNS * ROWS * 2u];
    prewarp_map maps[MOST_MAPS], pair[2];
    prewarp_light light;
    float *free_memory = memory;
    size_t left = ANSWERS_MEMORY;
    uint32_t map, point, channel, status;
    for (map = 0; map < lookup->map_count; map++) {
        const uint32_t base = prewarp_base_of(lookup, map);
        const size_t needed = prewarp_coefficient_count(lookup, map);
        uint32_t crc, count = 0;
        if (needed > left || prewarp_prepare(lookup, map, pupil, base == PREWARP_NONE ? NULL : &maps[base], free_memory,
                                             needed, &maps[map]) != PREWARP_OK) {
            told("too large", map, (uint32_t)needed);
            return;
        }
        told("coefficients", map, sum_of(0, free_memory, needed));
        free_memory += needed;
        left -= needed;
        if (base != PREWARP_NONE)
            pair[count++] = maps[base];
        pair[count] = maps[map];
        if (count != 0u)
            pair[count].base = &pair[0];
        count++;
        status = prewarp_meshes(pair, count, COLUMNS, ROWS, free_memory, left, mesh);
        told("mesh", map, sum_of(status, mesh, (size_t)count * COLUMNS * ROWS * 2u));
        status = prewarp_turn_mesh(&pair[0], &scan, &head, COLUMNS, ROWS, mesh);
        told("turned", map, sum_of(status, mesh, COLUMNS * ROWS * 2u));
        for (crc = 0, point = 0; point < POINTS; point++) {
            float panel[2], direction[2];
            panel[0] = 29.5f * (float)point - 20.0f;
            panel[1] = 470.0f - 19.25f * (float)point;
            prewarp_direction_from_panel(&maps[map], panel, direction);
            crc = sum_of(crc, direction, 2);
            status = prewarp_panel_from_direction(&maps[map], direction, panel);
            crc = sum_of(crc + status, panel, 2);
        }
        told("points", map, crc);
    }
    if (prewarp_light_count(lookup) > left ||
        prewarp_prepare_light(lookup, pupil, maps, lookup->map_count, free_memory, left, &light) != PREWARP_OK) {
        told("no light", 0, (uint32_t)prewarp_light_count(lookup));
        return;
    }
    told("borders", 0, sum_of(0, free_memory, prewarp_light_count(lookup)));
    for (point = 0; point < POINTS; point++) {
        float direction[2], weights[2u * PREWARP_MAX_CHANNELS], gains[MOST_MAPS], panel[2];
        direction[0] = 0.047f * (float)point - 0.55f;
        direction[1] = 0.3f - 0.021f * (float)(point % 7u) * (float)(point % 5u);
        panel[0] = 27.0f * (float)point;
        panel[1] = 19.0f * (float)point;
        prewarp_weights(&light, direction, weights);
        told("weights", point, sum_of(0, weights, lookup->channel_count));
        prewarp_claims_and_depths(&light, direction, 2.0f, weights, weights + PREWARP_MAX_CHANNELS);
        told("claims", point, sum_of(0, weights, lookup->channel_count));
        told("depths", point, sum_of(0, weights + PREWARP_MAX_CHANNELS, lookup->channel_count));
        for (map = 0; map < lookup->map_count; map++)
            gains[map] = prewarp_gain(&light, map, panel, direction);
        told("gains", point, sum_of(0, gains, lookup->map_count));
        for (channel = 0; channel < lookup->channel_count; channel++) {
            const float one = prewarp_weight(&light, channel, direction);
            told("weight", channel, sum_of((uint32_t)prewarp_is_lit(&light, channel, direction), &one, 1));
        }
    }
    for (point = 0; point < POINTS; point++) { /* a line of them in one call, sixteen side by side and some left */
        static float line[2u * LINE], shares[LINE * MOST_MAPS], depths[LINE * MOST_MAPS];
        const size_t numbers = (size_t)LINE * lookup->channel_count;
        uint32_t k;
        for (k = 0; k < LINE; k++) {
            line[2u * k] = 0.027f * (float)k - 0.5f + 0.003f * (float)point;
            line[2u * k + 1u] = 0.3f - 0.025f * (float)point + 0.001f * (float)k;
        }
        prewarp_weights_of(&light, line, LINE, shares);
        told("line weights", point, sum_of(0, shares, numbers));
        prewarp_shares_of(&light, line, LINE, 3.0f, shares);
        told("line shares", point, sum_of(0, shares, numbers));
        prewarp_claims_and_depths_of(&light, line, LINE, 2.0f, shares, depths);
        told("line claims", point, sum_of(0, shares, numbers));
        told("line depths", point, sum_of(0, depths, numbers));
    }
}
#endif

static void by_integers(const prewarp_lookup *lookup, const int32_t pupil[3])
{
    static const prewarp_fixed_scan scan = {1099511628, 1099512, 21990233};
    static const prewarp_fixed_head head = {{1572864, -3145728, 524288}, 2199023256};
    static int32_t memory[ANSWERS_MEMORY], mesh[2u * COLUMNS * ROWS * 2u];
    prewarp_fixed_map maps[MOST_MAPS], pair[2];
    prewarp_fixed_light light;
    int32_t *free_memory = memory;
    size_t left = ANSWERS_MEMORY;
    uint32_t map, point, channel, status;
    for (map = 0; map < lookup->map_count; map++) {
        const uint32_t base = prewarp_base_of(lookup, map);
        const size_t needed = prewarp_coefficient_count(lookup, map);
        uint32_t crc, count = 0;
        if (needed > left || prewarp_fixed_prepare(lookup, map, pupil, base == PREWARP_NONE ? NULL : &maps[base],
                                                   free_memory, needed, &maps[map]) != PREWARP_OK) {
            told("integer too large", map, (uint32_t)needed);
            return;
        }
        told("integer coefficients", map, sum_of(0, free_memory, needed));
        free_memory += needed;
        left -= needed;
        if (base != PREWARP_NONE)
            pair[count++] = maps[base];
        pair[count] = maps[map];
        if (count != 0u)
            pair[count].base = &pair[0];
        count++;
        status = prewarp_fixed_meshes(pair, count, COLUMNS, ROWS, free_memory, left, mesh);
        told("integer mesh", map, sum_of(status, mesh, (size_t)count * COLUMNS * ROWS * 2u));
        status = prewarp_fixed_turn_mesh(&pair[0], &scan, &head, COLUMNS, ROWS, mesh);
        told("integer turned", map, sum_of(status, mesh, COLUMNS * ROWS * 2u));
        for (crc = 0, point = 0; point < POINTS; point++) {
            int32_t panel[2], direction[2];
            panel[0] = (int32_t)(29u * point) * 16384 - 20 * 16384;
            panel[1] = 470 * 16384 - (int32_t)(19u * point) * 16384;
            prewarp_fixed_direction_from_panel(&maps[map], panel, direction);
            crc = sum_of(crc, direction, 2);
            status = prewarp_fixed_panel_from_direction(&maps[map], direction, panel);
            crc = sum_of(crc + status, panel, 2);
        }
        told("integer points", map, crc);
    }
    if (prewarp_light_count(lookup) > left ||
        prewarp_fixed_prepare_light(lookup, pupil, maps, lookup->map_count, free_memory, left, &light) != PREWARP_OK) {
        told("integer no light", 0, (uint32_t)prewarp_light_count(lookup));
        return;
    }
    told("integer borders", 0, sum_of(0, free_memory, prewarp_light_count(lookup)));
    for (point = 0; point < POINTS; point++) {
        int32_t direction[2], weights[PREWARP_MAX_CHANNELS], gains[MOST_MAPS], panel[2];
        direction[0] = (int32_t)point * 12616466 - 147639500;
        direction[1] = 80530636 - 5637144 * (int32_t)(point % 7u) * (int32_t)(point % 5u);
        panel[0] = 27 * 16384 * (int32_t)point;
        panel[1] = 19 * 16384 * (int32_t)point;
        prewarp_fixed_weights(&light, direction, weights);
        told("integer weights", point, sum_of(0, weights, lookup->channel_count));
        for (map = 0; map < lookup->map_count; map++)
            gains[map] = prewarp_fixed_gain(&light, map, panel, direction);
        told("integer gains", point, sum_of(0, gains, lookup->map_count));
        for (channel = 0; channel < lookup->channel_count; channel++) {
            const int32_t one = prewarp_fixed_weight(&light, channel, direction);
            told("integer weight", channel, sum_of((uint32_t)prewarp_fixed_is_lit(&light, channel, direction), &one, 1));
        }
    }
}

int main(void)
{
    static const int32_t whole_pupils[2][3] = {{0, 0, 0}, {98304, -170394, 65537}};
    prewarp_lookup lookup;
    uint32_t turn, place, status = (uint32_t)prewarp_open(&lookup, blob, blob_size);
    told("open", status, lookup.map_count);
    if (status != PREWARP_OK || lookup.map_count > MOST_MAPS)
        return 1;
    for (place = 0; place < lookup.channel_count; place++) {
        char name[PREWARP_NAME_BYTES];
        printf("channel %s\n", prewarp_channel_name(&lookup, place, name) == PREWARP_OK ? name : "none");
    }
    for (turn = 0; turn < 2u; turn++) {
#ifndef ANSWERS_INTEGER_ONLY
        static const float pupils[2][3] = {{0.0f, 0.0f, 0.0f}, {1.5f, -2.6f, 1.00002f}};
        by_floats(&lookup, pupils[turn]);
#endif
        by_integers(&lookup, whole_pupils[turn]);
    }
    return 0;
}
