/* Driver of the static proof (c_eva.py): a blob of one shape whose other bytes are arbitrary, but for what prewarp_open
 * promises of them (promises.h), then every function of one path on it with arbitrary numbers from the caller.
 *
 * Shapes are -D; all memory has its exact size. Pupils, panel points and directions are any floats, NaN and infinities
 * too, or any integers. */
#include <stdlib.h>

#include "__fc_builtin.h"
#include "prewarp_lookup.h"
#include "prewarp_names.h"
#include "prewarp_turn.h"

static uint32_t next_offset; /* of a block's numbers */

static void put(unsigned char *p, uint32_t bytes, uint32_t value)
{
    p[0] = (unsigned char)value;
    p[1] = (unsigned char)(value >> 8);
    if (bytes == 4u) {
        p[2] = (unsigned char)(value >> 16);
        p[3] = (unsigned char)(value >> 24);
    }
}

static uint32_t choice(uint32_t low, uint32_t high)
{
    return Frama_C_unsigned_int_interval(low, high);
}

#define A_PLACE unsigned char *
#define CODES(lookup, record) /* told in c_eva.py, where codes are read */
#define NUMBER(p, bytes, low, high) put(p, bytes, choice(low, high))
#define SHAPE(p, bytes, low, high, chosen) put(p, bytes, (uint32_t)(chosen))
#define LINK(p, low, high, chosen) put(p, 2u, (uint32_t)(chosen))
#define SIZED(p, bits) put(p, 4u, choice(0u, 1u) ? choice(0u, bits) : choice(0x80000000u, 0x80000000u + (bits)))
#define POSITIVE(p, bits) put(p, 4u, choice(0u, bits))
#define BETWEEN(p, low, high) put(p, 4u, choice(low, high))
#define SCALE_OF(lookup, place) (block_record(lookup, place) + PREWARP_BLOCK_SCALE)
#define NUMBERS_OF(lookup, place) ((unsigned char *)prewarp_block_at(lookup, place).numbers)
#define MAP_FORMAT(lookup, place) FORMAT
#define BORDER_COUNT(lookup, record) (2u * BORDER_POINTS)
#define BLOCK(lookup, place, format, count) put_block(lookup, place, format, count)

#include "prewarp_bytes.h"

static unsigned char *block_record(const prewarp_lookup *lookup, uint32_t place)
{
    return (unsigned char *)lookup->bytes + lookup->offset[PREWARP_SECTION_BLOCKS] + PREWARP_BLOCK_BYTES * place;
}

/* Blocks follow one another, each at a multiple of 4 bytes; check_blocks has their size inside the data. */
static void put_block(const prewarp_lookup *lookup, uint32_t place, uint32_t format, uint32_t count)
{
    unsigned char *record = block_record(lookup, place);
    const uint32_t eighths = format == PREWARP_FLOAT32 ? 32u : format == PREWARP_UINT8 ? 8u : format == PREWARP_UINT16 ? 16u : format;
    put(record + PREWARP_BLOCK_FORMAT, 2u, format);
    put(record + PREWARP_BLOCK_COUNT, 4u, count);
    put(record + PREWARP_BLOCK_OFFSET, 4u, next_offset);
    next_offset += (count * eighths + 7u) / 8u;
    next_offset = (next_offset + 3u) / 4u * 4u;
}

#include "promises.h"

#define MAPS (CHANNELS * COLOURS)
#define REGIONS (BORDERS * BORDER_REGIONS)
#define BLOCKS (MAP_BLOCKS * MAPS + CLAIMS + BORDERS + REGIONS + GAINS)
enum {
    AT_CHANNELS = PREWARP_DISPLAY_BYTES,
    AT_MAPS = AT_CHANNELS + CHANNELS * PREWARP_CHANNEL_BYTES,
    AT_BLOCKS = AT_MAPS + MAPS * PREWARP_MAP_BYTES,
    AT_CLAIMS = AT_BLOCKS + BLOCKS * PREWARP_BLOCK_BYTES,
    AT_BORDERS = AT_CLAIMS + CLAIMS * PREWARP_CLAIMS_BYTES,
    AT_REGIONS = AT_BORDERS + BORDERS * PREWARP_BORDER_BYTES,
    AT_GAINS = AT_REGIONS + REGIONS * PREWARP_REGION_BYTES,
    AT_DATA = AT_GAINS + GAINS * PREWARP_GAIN_BYTES
};

static unsigned char blob[AT_DATA + DATA_BYTES];

/* An open blob. Sections lie where they do: no function asks of more than where one begins. */
static prewarp_lookup opened(void)
{
    prewarp_lookup lookup = {0};
    lookup.bytes = blob;
    lookup.size = sizeof blob;
    lookup.offset[PREWARP_SECTION_CHANNELS] = AT_CHANNELS;
    lookup.offset[PREWARP_SECTION_MAPS] = AT_MAPS;
    lookup.offset[PREWARP_SECTION_BLOCKS] = AT_BLOCKS;
    lookup.offset[PREWARP_SECTION_CLAIMS] = AT_CLAIMS;
    lookup.offset[PREWARP_SECTION_BORDERS] = AT_BORDERS;
    lookup.offset[PREWARP_SECTION_REGIONS] = AT_REGIONS;
    lookup.offset[PREWARP_SECTION_GAINS] = AT_GAINS;
    lookup.offset[PREWARP_SECTION_DATA] = AT_DATA;
    lookup.channel_count = CHANNELS;
    lookup.colour_count = COLOURS;
    lookup.map_count = MAPS;
    lookup.block_count = BLOCKS;
    lookup.claims_count = CLAIMS;
    lookup.border_count = BORDERS;
    lookup.region_count = REGIONS;
    lookup.gain_count = GAINS;
    Frama_C_make_unknown((char *)blob, sizeof blob);
    promise_all(blob, &lookup);
    //@ assert next_offset == DATA_BYTES;
    return lookup;
}

#ifdef INTEGER
typedef int32_t value;
#define CALL(name) prewarp_fixed_##name
typedef prewarp_fixed_map a_map;
typedef prewarp_fixed_light a_light;
typedef prewarp_fixed_scan a_scan;
typedef prewarp_fixed_head a_head;
#else
typedef float value;
#define CALL(name) prewarp_##name
typedef prewarp_map a_map;
typedef prewarp_light a_light;
typedef prewarp_scan a_scan;
typedef prewarp_head a_head;
#endif

#define ARBITRARY(numbers) Frama_C_make_unknown((char *)(numbers), sizeof(numbers))

static void points(const a_map *map)
{
    value panel[2], direction[2];
    ARBITRARY(panel);
    CALL(direction_from_panel)(map, panel, direction);
    ARBITRARY(direction);
    (void)CALL(panel_from_direction)(map, direction, panel);
}

#ifdef NODE_COLUMNS
static void meshes(const a_map *maps)
{
    const size_t needed = CALL(meshes_work_count)(maps, MAPS, NODE_COLUMNS, NODE_ROWS);
    value *work = malloc(needed * sizeof *work), *drawn = malloc((size_t)2u * MAPS * NODE_COLUMNS * STRIP_ROWS * sizeof *drawn);
    (void)CALL(mesh_rows)(maps, MAPS, NODE_COLUMNS, NODE_ROWS, FIRST_ROW, STRIP_ROWS, work, needed, drawn);
}
#endif

/* Of a map it reads the panel's size alone. */
static void turns(void)
{
    a_map map = {0};
    a_scan scan;
    a_head head;
    value panel[2], direction[2], mesh[2 * 2 * 2];
    Frama_C_make_unknown((char *)&scan, sizeof scan);
    Frama_C_make_unknown((char *)&head, sizeof head);
    ARBITRARY(panel);
    ARBITRARY(direction);
    ARBITRARY(mesh);
    map.width = (value)choice(16u, 32768u);
    map.height = (value)choice(16u, 32768u);
    (void)CALL(turn)(&scan, &head, panel, direction);
    (void)CALL(turn_mesh)(&map, &scan, &head, 2u, 2u, mesh);
}

static void light_of(const prewarp_lookup *lookup, const a_map *maps)
{
    const size_t needed = prewarp_light_count(lookup);
    value *memory = malloc(needed * sizeof *memory), pupil[3], panel[2], direction[2], weights[CHANNELS];
    a_light light;
    ARBITRARY(pupil);
    ARBITRARY(panel);
    ARBITRARY(direction);
    if (CALL(prepare_light)(lookup, pupil, maps, MAPS, memory, needed, &light) != PREWARP_OK)
        return;
    (void)CALL(is_lit)(&light, choice(0u, 0xFFFFFFFFu), direction);
    CALL(weights)(&light, direction, weights);
    (void)CALL(weight)(&light, choice(0u, 0xFFFFFFFFu), direction);
    (void)CALL(gain)(&light, choice(0u, 0xFFFFFFFFu), panel, direction);
#ifndef INTEGER
    {
        float several[2 * 17], all[17 * CHANNELS], depths[17 * CHANNELS], limit;
        ARBITRARY(several);
        Frama_C_make_unknown((char *)&limit, sizeof limit);
        prewarp_weights_of(&light, several, 17u, all);
        prewarp_claims_and_depths_of(&light, several, 17u, limit, all, depths);
    }
#endif
}

#ifdef TURNS
int main(void)
{
    turns();
    return 0;
}
#else
int main(void)
{
    prewarp_lookup lookup = opened();
    a_map maps[MAPS];
    value pupil[3];
    uint32_t map;
    ARBITRARY(pupil);
    for (map = 0; map < MAPS; map++) {
        const size_t needed = prewarp_coefficient_count(&lookup, map);
        value *memory = malloc(needed * sizeof *memory);
        const uint32_t base = prewarp_base_of(&lookup, map);
        if (CALL(prepare)(&lookup, map, pupil, base == PREWARP_NONE ? NULL : &maps[base], memory, needed, &maps[map]) != PREWARP_OK)
            return 1;
    }
#ifdef POINTS
    for (map = 0; map < MAPS; map++)
        points(&maps[map]);
#endif
#ifdef NODE_COLUMNS
    meshes(maps);
#endif
#ifdef LIGHT
    light_of(&lookup, maps);
#endif
    return 0;
}
#endif
