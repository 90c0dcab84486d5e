/* What both fuzzers of the C reader share: checksums made right, damage that knows the layout, and a call of every
 * function on a blob that the reader accepts. */
#ifndef PREWARP_FUZZ_PARTS_H
#define PREWARP_FUZZ_PARTS_H

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "prewarp_lookup.h"
#include "prewarp_names.h"
#include "prewarp_turn.h"

#include "kept_promises.h"

static uint64_t state = 0x9E3779B97F4A7C15u;

static uint32_t any(uint32_t below) /* xorshift64*, G. Marsaglia 2003, S. Vigna 2016; from memory */
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return below == 0u ? 0u : (uint32_t)((state * 2685821657736338717u) >> 32) % below;
}

static uint32_t crc_32(const unsigned char *bytes, size_t size)
{
    uint32_t crc = 0xFFFFFFFFu, bit;
    while (size-- > 0u) {
        crc ^= *bytes++;
        for (bit = 0; bit < 8u; bit++)
            crc = crc >> 1 ^ (crc & 1u ? 0xEDB88320u : 0u);
    }
    return ~crc;
}

static uint32_t get(const unsigned char *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static void put(unsigned char *p, uint32_t value)
{
    p[0] = (unsigned char)value;
    p[1] = (unsigned char)(value >> 8);
    p[2] = (unsigned char)(value >> 16);
    p[3] = (unsigned char)(value >> 24);
}

/* Makes every checksum agree with what the blob holds now, as far as its sections lie inside it. */
static void mend(unsigned char *bytes, size_t size)
{
    const size_t table_end = PREWARP_HEADER_BYTES + PREWARP_SECTION_BYTES * PREWARP_SECTION_COUNT;
    uint32_t place;
    if (size < table_end)
        return;
    for (place = 0; place < PREWARP_SECTION_COUNT; place++) {
        unsigned char *record = bytes + PREWARP_HEADER_BYTES + PREWARP_SECTION_BYTES * place;
        uint32_t offset = get(record + PREWARP_SECTION_OFFSET), length = get(record + PREWARP_SECTION_SIZE);
        if (offset <= size && length <= size - offset)
            put(record + PREWARP_SECTION_CRC, crc_32(bytes + offset, length));
    }
    put(bytes + PREWARP_HEADER_CRC, 0);
    put(bytes + PREWARP_HEADER_CRC, crc_32(bytes, table_end));
}

/* Odd values hit limits more often than any others. */
static void damage(unsigned char *bytes, size_t *size, size_t records_end)
{
    static const uint32_t odd[] = {0u,          1u,          2u,          127u,        128u,
                                   255u,        256u,        32767u,      32768u,      65535u,
                                   65536u,      0x7FFFFFFFu, 0x80000000u, 0xFFFFFFFFu, 0x7F800000u,
                                   0x7FC00000u, 0xFF800000u, 0x3F800000u, 0x7F7FFFFFu, 0x41800000u};
    uint32_t times = 1u + any(4u), kind;
    while (times-- > 0u && *size > 0u) {
        /* Records come first and matter most; numbers are many. */
        size_t range = any(3u) != 0u && records_end < *size ? records_end : *size;
        size_t place = any((uint32_t)range);
        kind = any(8u);
        if (kind == 0u && *size > 8u)
            *size -= any((uint32_t)*size / 2u);
        else if (kind <= 2u)
            bytes[place] ^= (unsigned char)(1u << any(8u));
        else if (kind == 3u)
            bytes[place] = (unsigned char)any(256u);
        else if (kind <= 5u) {
            size_t even = place & ~(size_t)1u;
            uint32_t value = odd[any(sizeof odd / sizeof *odd)];
            if (even + 2u <= *size) {
                bytes[even] = (unsigned char)value;
                bytes[even + 1u] = (unsigned char)(value >> 8);
            }
        } else {
            size_t four = place & ~(size_t)3u;
            if (four + 4u <= *size)
                put(bytes + four, kind == 6u ? odd[any(sizeof odd / sizeof *odd)] : any(0xFFFFFFFFu));
        }
    }
}

/* Runs every function on an accepted blob; sizes are small, so that a million blobs take minutes. */
static void evaluate(const prewarp_lookup *lookup)
{
    static const float pupils[4][3] = {{0, 0, 0}, {5, -4, 2}, {-1e30f, 1e30f, 0}, {1.5f, -0.5f, 0.25f}};
    static const int32_t whole_pupils[4][3] = {
        {0, 0, 0}, {327680, -262144, 131072}, {INT32_MIN, INT32_MAX, 1}, {9, 8, 7}};
    static const prewarp_scan scan = {0.001f, 1e-6f, 2e-5f};
    static const prewarp_head head = {{1.5f, -3.0f, 0.5f}, 0.002f};
    static const prewarp_fixed_scan whole_scan = {1099511628, 1099512, 21990233};
    static const prewarp_fixed_head whole_head = {{1572864, -3145728, 524288}, 2199023256};
    uint32_t map, turn = any(4u);
    for (map = 0; map < lookup->map_count && map < 6u; map++) {
        uint32_t base = prewarp_base_of(lookup, map), chosen[2], step;
        prewarp_map maps[2];
        prewarp_fixed_map whole_maps[2];
        float *memory[2] = {NULL, NULL}, *work, *meshes;
        int32_t *whole_memory[2] = {NULL, NULL}, *whole_work, *whole_meshes;
        uint32_t count = base == PREWARP_NONE ? 1u : 2u, columns = 2u + any(4u), rows = 2u + any(3u);
        size_t needed, numbers = (size_t)count * columns * rows * 2u;
        uint32_t strip[2];
        strip[0] = any(rows);
        strip[1] = 1u + any(rows - strip[0]);
        chosen[0] = base == PREWARP_NONE ? map : base;
        chosen[1] = map;
        for (step = 0; step < count; step++) {
            float point[2] = {3.0f, -2.0f}, direction[2];
            int32_t whole_point[2] = {12345, -77777}, whole_direction[2];
            needed = prewarp_coefficient_count(lookup, chosen[step]);
            if (needed == 0u || needed > 3000000u)
                break;
            memory[step] = malloc(needed * sizeof(float)); /* exact: a write beyond it is found */
            whole_memory[step] = malloc(needed * sizeof(int32_t));
            if (prewarp_prepare(lookup, chosen[step], pupils[turn], step ? &maps[0] : NULL, memory[step], needed,
                                &maps[step]) ||
                prewarp_fixed_prepare(lookup, chosen[step], whole_pupils[turn], step ? &whole_maps[0] : NULL,
                                      whole_memory[step], needed, &whole_maps[step]))
                abort();
            prewarp_direction_from_panel(&maps[step], point, direction);
            (void)prewarp_panel_from_direction(&maps[step], direction, point);
            prewarp_fixed_direction_from_panel(&whole_maps[step], whole_point, whole_direction);
            (void)prewarp_fixed_panel_from_direction(&whole_maps[step], whole_direction, whole_point);
        }
        if (step == count) {
            needed = prewarp_meshes_work_count(maps, count, columns, rows);
            work = malloc(needed * sizeof(float));
            meshes = malloc(numbers * sizeof(float));
            if (prewarp_meshes(maps, count, columns, rows, work, needed, meshes))
                abort();
            (void)prewarp_turn_mesh(&maps[0], &scan, &head, columns, rows, meshes);
            free(meshes);
            meshes = malloc(2u * (size_t)columns * strip[1] * count * sizeof(float));
            if (prewarp_mesh_rows(maps, count, columns, rows, strip[0], strip[1], work, needed, meshes))
                abort();
            free(work);
            free(meshes);
            needed = prewarp_fixed_meshes_work_count(whole_maps, count, columns, rows);
            whole_work = malloc(needed * sizeof(int32_t));
            whole_meshes = malloc(numbers * sizeof(int32_t));
            if (prewarp_fixed_meshes(whole_maps, count, columns, rows, whole_work, needed, whole_meshes))
                abort();
            (void)prewarp_fixed_turn_mesh(&whole_maps[0], &whole_scan, &whole_head, columns, rows, whole_meshes);
            free(whole_meshes);
            whole_meshes = malloc(2u * (size_t)columns * strip[1] * count * sizeof(int32_t));
            if (prewarp_fixed_mesh_rows(whole_maps, count, columns, rows, strip[0], strip[1], whole_work, needed,
                                        whole_meshes))
                abort();
            free(whole_work);
            free(whole_meshes);
        }
        for (step = 0; step < 2u; step++) {
            free(memory[step]);
            free(whole_memory[step]);
        }
    }
}

/* Prepares all maps of a blob of few, then weights and gains by both paths. */
static void evaluate_light(const prewarp_lookup *lookup)
{
    enum { MOST = 6 };
    static const float pupil[3] = {1.5f, -4.0f, 1e30f};
    static const int32_t whole_pupil[3] = {98304, -262144, INT32_MAX};
    prewarp_map maps[MOST];
    prewarp_fixed_map whole_maps[MOST];
    float *memory[MOST], *borders, weights[2u * PREWARP_MAX_CHANNELS], depths[2u * PREWARP_MAX_CHANNELS];
    int32_t *whole_memory[MOST], *whole_borders, whole_weights[PREWARP_MAX_CHANNELS];
    prewarp_light light;
    prewarp_fixed_light whole_light;
    uint32_t map, made = 0, turn;
    size_t needed = prewarp_light_count(lookup);
    if (lookup->map_count > MOST)
        return;
    borders = malloc(needed * sizeof(float)); /* exact: a write beyond it is found */
    whole_borders = malloc(needed * sizeof(int32_t));
    for (map = 0; map < lookup->map_count; map++) {
        uint32_t base = prewarp_base_of(lookup, map);
        size_t numbers = prewarp_coefficient_count(lookup, map);
        if (numbers == 0u || numbers > 3000000u)
            break;
        memory[map] = malloc(numbers * sizeof(float));
        whole_memory[map] = malloc(numbers * sizeof(int32_t));
        made++;
        if (prewarp_prepare(lookup, map, pupil, base == PREWARP_NONE ? NULL : &maps[base], memory[map], numbers,
                            &maps[map]) ||
            prewarp_fixed_prepare(lookup, map, whole_pupil, base == PREWARP_NONE ? NULL : &whole_maps[base],
                                  whole_memory[map], numbers, &whole_maps[map]))
            abort();
    }
    if (made == lookup->map_count) {
        if (prewarp_prepare_light(lookup, pupil, maps, made, borders, needed, &light) ||
            prewarp_fixed_prepare_light(lookup, whole_pupil, whole_maps, made, whole_borders, needed, &whole_light))
            abort();
        for (turn = 0; turn < 6u; turn++) {
            float direction[4] = {(float)any(64u) / 32.0f - 1.0f, (float)any(64u) / 32.0f - 1.0f};
            int32_t whole[2] = {(int32_t)any(0x40000000u) - 0x20000000, (int32_t)any(0xFFFFFFFFu)};
            float point[2] = {(float)any(700u) - 30.0f, (float)any(700u) - 30.0f};
            int32_t whole_point[2] = {(int32_t)any(0xFFFFFFFFu), 12345};
            prewarp_weights(&light, direction, weights);
            direction[2] = direction[0] + (float)any(8u) / 32.0f; /* beside the first, as in a line */
            direction[3] = direction[1];
            prewarp_weights_of(&light, direction, 2u, weights);
            prewarp_claims_and_depths_of(&light, direction, 2u, (float)any(4u), weights, depths);
            prewarp_fixed_weights(&whole_light, whole, whole_weights);
            (void)prewarp_weight(&light, any(20u), direction);
            (void)prewarp_fixed_weight(&whole_light, any(20u), whole);
            (void)prewarp_gain(&light, any(8u), point, direction);
            (void)prewarp_fixed_gain(&whole_light, any(8u), whole_point, whole);
        }
    }
    for (map = 0; map < made; map++) {
        free(memory[map]);
        free(whole_memory[map]);
    }
    free(borders);
    free(whole_borders);
}

/* Ends the run where a promise of prewarp_open is not kept. */
static void evaluate_promises(const prewarp_lookup *lookup)
{
    promise_all(lookup->bytes, lookup);
}

/* Names, sizes, the eye box and the content of a blob, by every function that tells them. */
static void evaluate_names(const prewarp_lookup *lookup)
{
    char name[PREWARP_NAME_BYTES];
    uint32_t place, found, size_px[2];
    float low_mm[3], high_mm[3];
    int32_t low[3], high[3];
    prewarp_content content;
    for (place = 0; place <= PREWARP_MAX_CHANNELS; place++) {
        if (prewarp_channel_name(lookup, place, name) == PREWARP_OK &&
            prewarp_find_channel(lookup, name, &found) != PREWARP_OK)
            abort();
        if (prewarp_colour_name(lookup, place, name) == PREWARP_OK)
            (void)prewarp_find_named_map(lookup, "left", name, &found);
        (void)prewarp_panel_size(lookup, place, size_px);
    }
    prewarp_eye_box(lookup, low_mm, high_mm);
    prewarp_fixed_eye_box(lookup, low, high);
    (void)prewarp_get_content(lookup, &content);
}

#endif
