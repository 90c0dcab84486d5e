/* Reads little-endian numbers and records of a blob that prewarp_open has checked. Both paths use it. */
#ifndef PREWARP_BYTES_H
#define PREWARP_BYTES_H

#include "prewarp_lookup.h"

#include <string.h>

static inline uint32_t prewarp_u16(const unsigned char *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8;
}

static inline uint32_t prewarp_u32(const unsigned char *p)
{
    return prewarp_u16(p) | prewarp_u16(p + 2) << 16;
}

/* Signed numbers are stored in two's complement, which intN_t is too, so their bits are copied. */
static inline int32_t prewarp_i16(const unsigned char *p)
{
    uint16_t raw = (uint16_t)prewarp_u16(p);
    int16_t value;
    memcpy(&value, &raw, sizeof value);
    return value;
}

static inline int32_t prewarp_i8(const unsigned char *p)
{
    int8_t value;
    memcpy(&value, p, sizeof value);
    return value;
}

/* Number `place` of numbers of 12 bits; three bytes hold two of them. */
static inline int32_t prewarp_i12(const unsigned char *p, uint32_t place)
{
    const unsigned char *pair = p + place / 2u * 3u;
    int32_t raw = place % 2u == 0u ? pair[0] | (pair[1] & 0xF) << 8 : pair[1] >> 4 | pair[2] << 4;
    return (raw ^ 0x800) - 0x800;
}

static inline const unsigned char *prewarp_record(const prewarp_lookup *lookup, uint32_t section, uint32_t bytes,
                                                  uint32_t place)
{
    return lookup->bytes + lookup->offset[section] + (size_t)bytes * place;
}

static inline const unsigned char *prewarp_map_record(const prewarp_lookup *lookup, uint32_t map)
{
    return prewarp_record(lookup, PREWARP_SECTION_MAPS, PREWARP_MAP_BYTES, map);
}

static inline const unsigned char *prewarp_channel_record(const prewarp_lookup *lookup, uint32_t channel)
{
    return prewarp_record(lookup, PREWARP_SECTION_CHANNELS, PREWARP_CHANNEL_BYTES, channel);
}

/* A block: `count` numbers in `format`, from `numbers` on. scale_bits: its scale, the bits of a float32. */
typedef struct {
    const unsigned char *numbers;
    uint32_t format, count, scale_bits;
} prewarp_block;

static inline prewarp_block prewarp_block_at(const prewarp_lookup *lookup, uint32_t place)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_BLOCKS, PREWARP_BLOCK_BYTES, place);
    prewarp_block block;
    block.format = prewarp_u16(record + PREWARP_BLOCK_FORMAT);
    block.count = prewarp_u32(record + PREWARP_BLOCK_COUNT);
    block.scale_bits = prewarp_u32(record + PREWARP_BLOCK_SCALE);
    block.numbers = lookup->bytes + lookup->offset[PREWARP_SECTION_DATA] + prewarp_u32(record + PREWARP_BLOCK_OFFSET);
    return block;
}

/* A prepared border begins with six numbers: its middle, then half the width and half the height of a box well
 * inside it, then of a box around it. Three numbers for each of its points follow. */
#define PREWARP_BORDER_NUMBERS 6u

/* Number of points of a border. */
static inline uint32_t prewarp_border_points(const prewarp_lookup *lookup, uint32_t border)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, border);
    return prewarp_block_at(lookup, prewarp_u16(record + PREWARP_BORDER_BLOCK)).count / 2u;
}

/* Number `place` of a block in any integer format. */
static inline int32_t prewarp_code(const prewarp_block *block, uint32_t place)
{
    switch (block->format) {
    case PREWARP_INT8:
        return prewarp_i8(block->numbers + place);
    case PREWARP_INT12:
        return prewarp_i12(block->numbers, place);
    case PREWARP_INT16:
        return prewarp_i16(block->numbers + (size_t)place * 2u);
    case PREWARP_UINT8:
        return block->numbers[place];
    default:
        return (int32_t)prewarp_u16(block->numbers + (size_t)place * 2u);
    }
}

static inline uint32_t prewarp_function_count(uint32_t degree) /* of three variables */
{
    return (degree + 1u) * (degree + 2u) * (degree + 3u) / 6u;
}

static inline uint32_t prewarp_graded_count(uint32_t degree) /* of two variables */
{
    return (degree + 1u) * (degree + 2u) / 2u;
}

/* Codes of Chebyshev terms are added four at a time. Where fewer are left, zeros take the place of the rest; the sums
 * that they go to lie behind the last one, in memory that is reserved for them. */
#define PREWARP_ADDED_BY 4u

/* Number of functions T_i T_j with i + j below `total` and even j (odd = 0) or odd j (odd = 1). */
static inline uint32_t prewarp_terms_below(uint32_t total, uint32_t odd)
{
    return odd ? total / 2u * ((total + 1u) / 2u) : (total + 1u) / 2u * (total / 2u + 1u);
}

/* Place of the coefficient of T_i T_j in a component. Those with even j come first, sorted by i + j, then by j; those
 * with odd j follow, sorted likewise. Codes have the same order. */
static inline uint32_t prewarp_term_place(uint32_t degree, uint32_t i, uint32_t j)
{
    return (j % 2u ? prewarp_terms_below(degree + 1u, 0) : 0u) + prewarp_terms_below(i + j, j % 2u) + j / 2u;
}

/* How far behind T_i T_j the coefficient of T_i+1 T_j stands; total: i + j. */
static inline uint32_t prewarp_term_step(uint32_t total, uint32_t j)
{
    return (total + 2u - j % 2u) / 2u;
}

/* Place of `base` in the array `maps` of elements of `bytes` bytes, before the place `map`. PREWARP_NONE: it is NULL,
 * or not there. */
static inline uint32_t prewarp_place_of_base(const void *maps, size_t bytes, uint32_t map, const void *base)
{
    const unsigned char *one = maps;
    uint32_t place;
    for (place = 0; place < map; place++, one += bytes) {
        if ((const void *)one == base)
            return place;
    }
    return PREWARP_NONE;
}

/* The rows of a mesh that are asked for. */
typedef struct {
    uint32_t first, count;
} prewarp_strip;

static inline int prewarp_in_strip(prewarp_strip strip, uint32_t row)
{
    return row >= strip.first && row - strip.first < strip.count;
}

/* Checks a request for meshes: bases are there (`complete`), the mesh may have this size and has these rows, and work
 * memory is large enough. Returns PREWARP_OK, or why not. */
static inline prewarp_status prewarp_mesh_request(int complete, uint32_t columns, uint32_t rows, prewarp_strip strip,
                                                  size_t work_count, size_t needed)
{
    if (!complete || columns < 2u || rows < 2u || columns > 4097u || rows > 4097u)
        return PREWARP_NO_SUCH;
    if (strip.count == 0u || strip.first >= rows || strip.count > rows - strip.first)
        return PREWARP_NO_SUCH;
    return work_count < needed ? PREWARP_TOO_SMALL : PREWARP_OK;
}

#endif
